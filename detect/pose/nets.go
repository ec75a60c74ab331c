package pose

// #include <malloc.h>
import "C"

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"sync"

	ort "github.com/yalue/onnxruntime_go"

	"tapeline/detect/pose/convert"
	"tapeline/pipeline"
)

// Names of the landmark networks.
const (
	Full  = "full"  // about 10 ms a region on one core
	Heavy = "heavy" // about 43 ms, steadier at the head
)

// Folders and files inside the cache folder; scripts/setup fills them.
const (
	modelsFolder = "models"
	libraryFile  = "lib/libonnxruntime.so.1"
)

// librarySHA256 pins the library of the npm package onnxruntime-node 1.30.0.
var librarySHA256 = map[string]string{
	"amd64": "ffb75a925ba05e47b235bb66e3e3911714a80b328a9c9425539feb204aa32a23",
	"arm64": "1f549d46250b005580b597f4164984aaf75b3bcb9f3aeb07c7f8a8fe60b23c76",
}

// Sides of the square input, pixels, and shapes of the outputs.
const (
	detectorSide = 224
	landmarkSide = 256
	points       = pipeline.NumJoints + 2 // with the two auxiliary points
	mapSide      = 64                     // of a heatmap
)

var (
	detectorOutputs = map[string][]int64{"boxes": {1, anchorCount, 12}, "scores": {1, anchorCount, 1}}
	landmarkOutputs = map[string][]int64{"landmarks": {1, 195}, "score": {1, 1}, "heatmap": {1, 39, mapSide, mapSide}, "world": {1, 117}}
)

// DefaultDir is the cache folder set-up fills: $TAPELINE_HOME, else tapeline
// in the user's cache folder ($XDG_CACHE_HOME or ~/.cache).
func DefaultDir() string {
	if d := os.Getenv("TAPELINE_HOME"); d != "" {
		return d
	}
	d, err := os.UserCacheDir()
	if err != nil { // no home: a relative folder that Open will not find
		d = ".cache"
	}
	return filepath.Join(d, "tapeline")
}

// Options of Open; the zero value is right.
type Options struct {
	// Trace notes every run of a network; nil: none.
	Trace *pipeline.Trace
}

// Nets holds the networks. Several goroutines may read and detect at a time, two
// of them with the same network, and one may Warm beside them; the rest is for
// one alone.
type Nets struct {
	dir      string
	opts     Options
	detector *session
	mu       sync.Mutex         // of the two maps
	readers  map[string]*reader // by name, made when first wanted
	people   *session           // likewise
	used     map[string]bool    // names of those made so far
	closed   bool
}

// reader is a landmark network, loaded once.
type reader struct {
	once sync.Once
	s    *session
	err  error
}

// Open loads ONNX Runtime and the detector from the cache folder dir and
// checks library and models against their pinned SHA-256 and shapes. The
// landmark networks are loaded when first read. The error is a *pipeline.Error
// with FaultSetup.
func Open(dir string, o Options) (*Nets, error) {
	n := &Nets{dir: dir, opts: o, readers: map[string]*reader{}, used: map[string]bool{}}
	for _, p := range Installed(dir) {
		if p.Err != nil {
			return nil, p.Err
		}
	}
	lib := filepath.Join(dir, libraryFile)
	if err := acquire(lib); err != nil {
		return nil, setupError(lib, err)
	}
	var err error
	if n.detector, err = n.load("detector", detectorSide, detectorOutputs); err != nil {
		return nil, errors.Join(err, release())
	}
	return n, nil
}

// Part is a file the set-up brings: a model by its name, or the inference
// library with none.
type Part struct {
	Name, Path string
	Err        error // *pipeline.Error with FaultSetup: missing, altered
}

// Installed compares every file the set-up brings with its pinned SHA-256.
func Installed(dir string) (parts []Part) {
	for _, m := range convert.Models {
		p := Part{Name: m.Name, Path: filepath.Join(dir, modelsFolder, m.File)}
		if err := convert.Check(p.Path, m.SHA256); err != nil {
			p.Err = setupError(p.Path, err)
		}
		parts = append(parts, p)
	}
	lib := Part{Path: filepath.Join(dir, libraryFile)}
	if sum, ok := librarySHA256[runtime.GOARCH]; !ok {
		lib.Err = setupError(lib.Path, fmt.Errorf("no inference library for %s", runtime.GOARCH))
	} else if err := convert.Check(lib.Path, sum); err != nil {
		lib.Err = setupError(lib.Path, err)
	}
	return append(parts, lib)
}

// Close frees the networks; closing twice is harmless.
func (n *Nets) Close() error {
	if n == nil || n.closed {
		return nil
	}
	n.closed = true
	return errors.Join(n.Rest(), n.detector.close(), release())
}

// Rest frees all networks but the detector until they are wanted again: a
// third of a second's work, and more memory than anything else.
func (n *Nets) Rest() error {
	errs := []error{n.people.close()}
	n.people = nil
	n.mu.Lock()
	readers := n.readers
	n.readers = map[string]*reader{}
	n.mu.Unlock()
	for _, r := range readers {
		r.once.Do(func() {}) // waits where it is being loaded
		errs = append(errs, r.s.close())
	}
	C.malloc_trim(0)
	return errors.Join(errs...)
}

// Models names the networks that were loaded so far, detector first, with
// their SHA-256.
func (n *Nets) Models() []pipeline.Model {
	n.mu.Lock()
	defer n.mu.Unlock()
	var out []pipeline.Model
	for _, m := range convert.Models {
		if n.used[m.Name] {
			out = append(out, pipeline.Model{Name: m.Name, SHA256: m.SHA256})
		}
	}
	return out
}

// Again runs a network (Full, Heavy or "detector") once more on what it last
// looked at: what it costs, and nothing else.
func (n *Nets) Again(net string) error {
	s := n.detector
	if net != "detector" {
		var err error
		if s, err = n.reader(net); err != nil {
			return err
		}
	}
	return s.look(nil, nil)
}

func (n *Nets) path(m convert.Model) string { return filepath.Join(n.dir, modelsFolder, m.File) }

// reader is the landmark network of that name.
func (n *Nets) reader(name string) (*session, error) {
	if n.closed {
		return nil, errors.New("pose: networks are closed")
	}
	if name != Full && name != Heavy {
		return nil, &pipeline.Error{Fault: pipeline.FaultUsage, Step: "pose", What: fmt.Sprintf("no network %q", name), Hint: "full or heavy"}
	}
	n.mu.Lock()
	r := n.readers[name]
	if r == nil {
		r = &reader{}
		n.readers[name] = r
	}
	n.mu.Unlock()
	r.once.Do(func() {
		defer pipeline.Catch(&r.err)
		r.s, r.err = n.load(name, landmarkSide, landmarkOutputs)
	})
	return r.s, r.err
}

// Warm loads a landmark network before it is wanted: a third of a second. It
// may run beside whatever else the networks do, but not beside Close.
func (n *Nets) Warm(net string) error {
	_, err := n.reader(net)
	return err
}

// load makes a session of the model, its bytes checked once more because time
// may have passed since Open.
func (n *Nets) load(name string, side int64, outputs map[string][]int64) (*session, error) {
	m := convert.Models[slices.IndexFunc(convert.Models, func(m convert.Model) bool { return m.Name == name })]
	if err := convert.Check(n.path(m), m.SHA256); err != nil {
		return nil, setupError(n.path(m), err)
	}
	s, err := newSession(n.path(m), side, outputs)
	// What went into making the session is as large again and stays with the
	// allocator, in pieces.
	C.malloc_trim(0)
	if err != nil {
		return nil, setupError(n.path(m), errors.Join(err, s.close()))
	}
	s.name, s.trace = name, n.opts.Trace
	n.mu.Lock()
	defer n.mu.Unlock()
	n.used[name] = true
	return s, nil
}

func setupError(path string, err error) error {
	what := err.Error()
	switch {
	case errors.Is(err, fs.ErrNotExist):
		what = "missing"
	case errors.Is(err, convert.ErrAltered):
		what = "altered: its SHA-256 is not the pinned one"
	}
	return &pipeline.Error{Fault: pipeline.FaultSetup, Step: "pose", Path: path, What: what, Hint: "run scripts/setup", Err: err}
}

// ONNX Runtime has one environment a process; it lives as long as any Nets.
var env struct {
	sync.Mutex
	users int
	path  string
}

func acquire(lib string) error {
	env.Lock()
	defer env.Unlock()
	if env.users == 0 {
		// This build of the library reports its use to its maker and keeps a
		// device number: nothing may leave this machine. The variable must stand
		// before the library is loaded; its own call comes after the first report.
		if err := os.Setenv("ORT_DISABLE_TELEMETRY", "1"); err != nil {
			return err
		}
		ort.SetSharedLibraryPath(lib)
		if err := ort.InitializeEnvironment(ort.WithLogLevelError()); err != nil {
			return err
		}
		if err := ort.DisableTelemetry(); err != nil {
			return errors.Join(err, ort.DestroyEnvironment())
		}
		env.path = lib
	} else if env.path != lib {
		return fmt.Errorf("inference library already loaded from %s", env.path)
	}
	env.users++
	return nil
}

func release() error {
	env.Lock()
	defer env.Unlock()
	if env.users--; env.users > 0 {
		return nil
	}
	return ort.DestroyEnvironment()
}

// atOnce is how many runs of one network there may be at a time.
const atOnce = 2

// session is one network, its weights loaded once.
type session struct {
	name    string
	trace   *pipeline.Trace
	s       *ort.DynamicAdvancedSession
	side    int64
	outputs map[string][]int64
	names   []string // of the outputs, in the order of a hand's
	idle    chan *hand
	mu      sync.Mutex
	hands   []*hand // those made so far; one run at a time needs one
}

// hand is what one run reads and writes.
type hand struct {
	lane     string
	in       []float32
	out      map[string][]float32
	from, to []ort.Value
}

// newSession is for a square picture of that side and outputs of these shapes.
// That the model has them is told by its first run: to ask beforehand would
// load it twice.
func newSession(path string, side int64, outputs map[string][]int64) (s *session, err error) {
	s = &session{side: side, outputs: outputs, names: slices.Sorted(maps.Keys(outputs)), idle: make(chan *hand, atOnce)}
	opts, err := ort.NewSessionOptions()
	if err != nil {
		return s, err
	}
	defer func() { err = errors.Join(err, opts.Destroy()) }()
	err = errors.Join(
		opts.SetIntraOpNumThreads(1),
		opts.SetInterOpNumThreads(1),
		opts.SetGraphOptimizationLevel(ort.GraphOptimizationLevelEnableAll),
		opts.AddSessionConfigEntry("session.intra_op.allow_spinning", "0"))
	if err != nil {
		return s, err
	}
	s.s, err = ort.NewDynamicAdvancedSession(path, []string{convert.Input}, s.names, opts)
	return s, err
}

// hand is one that nobody uses.
func (s *session) hand() (*hand, error) {
	select {
	case h := <-s.idle:
		return h, nil
	default:
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.hands) == atOnce {
		return <-s.idle, nil
	}
	h, err := s.newHand()
	if err != nil { // not one of them: whoever comes next would wait for it for ever
		return nil, errors.Join(err, h.close())
	}
	s.hands = append(s.hands, h)
	return h, nil
}

// newHand makes the tensors; with an error, some of them.
func (s *session) newHand() (h *hand, err error) {
	h = &hand{lane: fmt.Sprintf("%s %s %d", traceLane, s.name, len(s.hands)+1), out: map[string][]float32{}}
	tensor := func(shape []int64, in *[]ort.Value) ([]float32, error) {
		t, err := ort.NewEmptyTensor[float32](ort.NewShape(shape...))
		if err != nil {
			return nil, err
		}
		*in = append(*in, t)
		return t.GetData(), nil
	}
	if h.in, err = tensor([]int64{1, 3, s.side, s.side}, &h.from); err != nil {
		return h, err
	}
	for _, name := range s.names {
		if h.out[name], err = tensor(s.outputs[name], &h.to); err != nil {
			return h, err
		}
	}
	return h, nil
}

func (h *hand) close() error {
	var errs []error
	for _, v := range slices.Concat(h.from, h.to) {
		errs = append(errs, v.Destroy())
	}
	return errors.Join(errs...)
}

// look has the input filled, runs the network and hands on its output, which
// is good until take returns. nil: nothing is filled, nothing taken.
func (s *session) look(fill func(in []float32), take func(out map[string][]float32)) error {
	h, err := s.hand()
	if err != nil {
		return err
	}
	defer func() { s.idle <- h }()
	if fill != nil {
		fill(h.in)
	}
	span := s.trace.Begin(h.lane, s.name)
	err = s.s.Run(h.from, h.to)
	span.End()
	if err == nil && take != nil {
		take(h.out)
	}
	return err
}

const traceLane = "network"

func (s *session) close() error {
	if s == nil {
		return nil
	}
	var errs []error
	if s.s != nil {
		errs = append(errs, s.s.Destroy())
	}
	for _, h := range s.hands {
		errs = append(errs, h.close())
	}
	return errors.Join(errs...)
}
