package clip

import (
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"gocv.io/x/gocv"

	"tapeline/pipeline"
)

// Options of Open. The zero value reads every frame at full size.
type Options struct {
	// MaxSide is the longest side wanted, pixels; 0: full size. Pictures are
	// never enlarged. A few columns or rows at the right or lower edge may be
	// left out so that one scale holds exactly for both directions.
	MaxSide int
	// From and To limit the frames to From ≤ PTS ≤ To; To 0: to the end.
	From, To float64
	// Rate is how many frames a second of presentation time are wanted, the
	// first of them being the first frame; 0: every one. Those between are
	// decoded but not made pictures of.
	Rate float64
	// Only are the frames wanted, their numbers rising; nil: every one of those
	// limited by the others.
	Only []int
	// Exact converts the colours of BT.709 and BT.2020 clips in ffmpeg, right
	// for every colour. Without it OpenCV decodes with the BT.601 matrix and a
	// linear correction follows: right to a level or two, except for colours
	// so strong that OpenCV has already clipped them (pure BT.709 red comes
	// out with green 23 instead of 0). Deep-colour and HDR clips are always
	// converted in ffmpeg.
	Exact bool
}

// spare is how many frames may be missing at the very end of a clip: phones
// cut the power while the last ones are written. One more is damage.
const spare = 2

// Open starts decoding a clip that Probe has read. Frames come as displayed
// (rotation applied once), packed BGR; Frame.Index counts in clip.PTS.
//
// The source fails with FaultUnreadable when the stream ends or breaks before
// the last frame the container promised; up to two missing at the very end of
// a clip of 30 frames or more are taken as its end, provided that the decoder's
// own clock shows none lost before (OpenCV only: ffmpeg hands over no times).
func Open(ctx context.Context, c pipeline.Clip, o Options) (pipeline.Source, error) {
	demuxer, err := look(c.Path)
	if err != nil {
		return nil, err
	}
	from, to := 0, len(c.PTS)
	for from < to && c.PTS[from] < o.From-1e-6 {
		from++
	}
	for o.To > 0 && to > from && c.PTS[to-1] > o.To+1e-6 {
		to--
	}
	if o.Only != nil {
		o.Only = slices.DeleteFunc(slices.Clone(o.Only), func(n int) bool { return n < from || n >= to })
	}
	s := &source{ctx: ctx, clip: c, next: from, end: to, due: math.Inf(-1), trace: pipeline.Tracing(ctx), only: o.Only}
	if o.Rate > 0 {
		s.every = 1 / o.Rate
	}
	s.width, s.height = c.Width, c.Height // as the reader gives them
	if c.Rotation%180 != 0 {
		s.width, s.height = c.Height, c.Width
	}
	s.small = fit(c.Width, c.Height, o.MaxSide)
	switch {
	case c.Transfer != "sdr" || deep(c.PixelFormat) || o.Exact && (c.Matrix == "bt709" || c.Matrix == "bt2020"):
		s.reader, err = openPipe(ctx, c, demuxer, from, to, o.Only, s.small)
		s.made, s.width, s.height = true, s.small.w, s.small.h
	default:
		s.reader, err = openCapture(c, from)
		s.correct = newCorrection(c.Matrix)
	}
	if err != nil {
		if s.correct != nil {
			s.correct.Close()
		}
		return nil, err
	}
	s.raw, s.turned, s.sized, s.fixed = gocv.NewMat(), gocv.NewMat(), gocv.NewMat(), gocv.NewMat()
	return s, nil
}

func deep(pixelFormat string) bool {
	for _, mark := range []string{"10le", "10be", "12le", "12be", "14le", "16le", "16be", "p010", "p012", "p016"} {
		if strings.HasSuffix(pixelFormat, mark) {
			return true
		}
	}
	return false
}

// reader fills m with the next picture. False: no more, or broken;
// why may then say more.
type reader interface {
	read(m *gocv.Mat) bool
	// skip leaves out the next n pictures; whether they were there tells the
	// next read.
	skip(n int)
	// at is the decoder's time of the last picture, seconds from the first of
	// the clip; false: unknown.
	at() (float64, bool)
	why() string
	close()
}

type source struct {
	ctx           context.Context
	clip          pipeline.Clip
	reader        reader
	next, end     int
	due, every    float64 // PTS of the next frame wanted, seconds between such
	apart         float64 // as Apart was told
	only          []int
	trace         *pipeline.Trace
	width, height int
	small         fitted
	made          bool // the reader turns and makes small: colours are dear at full size
	correct       *gocv.Mat
	raw, turned   gocv.Mat
	sized, fixed  gocv.Mat
	frame         pipeline.Frame
	late          int // frames in a row whose time by the decoder is later than their PTS
	err           error
	closed        bool
}

// Apart and Pick make the source a pipeline.Sparse.
func (s *source) Apart(gap float64) { s.apart = gap }

// Pick is heeded by whoever decodes here; what comes from ffmpeg is left out
// when it has come.
func (s *source) Pick(frames []int) { s.only = frames }

func (s *source) Next() (*pipeline.Frame, error) {
	span := s.trace.Begin("decode", "decode")
	defer span.End()
	if s.closed {
		return nil, &pipeline.Error{Fault: pipeline.FaultInternal, Step: stepDecode, Path: s.clip.Path, What: "read after Close"}
	}
	if s.err != nil {
		return nil, s.err
	}
	if err := s.ctx.Err(); err != nil {
		s.err = failed(s.ctx, stepDecode, s.clip.Path, "ffmpeg", err, "")
		return nil, s.err
	}
	wanted := s.next
	for wanted < s.end && s.clip.PTS[wanted] < s.due-1e-6 {
		wanted++
	}
	if s.only != nil {
		i, _ := slices.BinarySearch(s.only, wanted)
		wanted = s.end
		if i < len(s.only) {
			wanted = min(wanted, s.only[i])
		}
	}
	if wanted >= s.end {
		s.err = io.EOF
		return nil, s.err
	}
	if n := wanted - s.next; n > 0 {
		s.reader.skip(n)
		s.next = wanted
	}
	if s.apart > 0 {
		s.due = s.clip.PTS[s.next] + s.apart + 1e-6 // exactly: Rate's tolerance is taken back
	} else if s.every > 0 {
		// On a grid, so that uneven frames don't make the rate lower.
		if s.due += s.every; s.due < s.clip.PTS[s.next]+1e-6 {
			s.due = s.clip.PTS[s.next] + s.every
		}
	}
	if !s.reader.read(&s.raw) || s.raw.Empty() {
		s.err = s.ended()
		return nil, s.err
	}
	if s.raw.Cols() != s.width || s.raw.Rows() != s.height || s.raw.Type() != gocv.MatTypeCV8UC3 {
		s.err = unreadable(stepDecode, s.clip.Path, hintCopy, "its pictures are %d×%d where its header says %d×%d", s.raw.Cols(), s.raw.Rows(), s.width, s.height)
		return nil, s.err
	}
	m := &s.raw
	if code, turn := turns[s.clip.Rotation]; turn && !s.made {
		gocv.Rotate(*m, &s.turned, code)
		m = &s.turned
	}
	if s.small.scale != 1 && !s.made {
		shrink(*m, &s.sized, s.small)
		m = &s.sized
	}
	if s.correct != nil {
		gocv.Transform(*m, &s.fixed, *s.correct)
		m = &s.fixed
	}
	if s.behind() {
		s.err = unreadable(stepDecode, s.clip.Path, hintCopy, "damaged after frame %d of %d: a picture is missing", s.next-1, len(s.clip.PTS))
		return nil, s.err
	}
	pix, err := m.DataPtrUint8()
	if err != nil {
		s.err = &pipeline.Error{Fault: pipeline.FaultInternal, Step: stepDecode, Path: s.clip.Path, What: "the picture can't be reached", Err: err}
		return nil, s.err
	}
	s.frame = pipeline.Frame{Index: s.next, PTS: s.clip.PTS[s.next], Width: m.Cols(), Height: m.Rows(), Scale: s.small.scale, Pix: pix}
	s.next++
	return &s.frame, nil
}

// behind compares the decoder's time with the frame's PTS: pictures lost on
// the way shift all that follow. One odd time is no proof, two are.
func (s *source) behind() bool {
	at, ok := s.reader.at()
	if !ok {
		return false
	}
	if at-s.clip.PTS[s.next] > 0.6*s.clip.TimeFactor/s.clip.CaptureRate {
		s.late++
	} else {
		s.late = 0
	}
	return s.late >= 2
}

// turns are the rotations for display, clockwise.
var turns = map[int]gocv.RotateFlag{90: gocv.Rotate90Clockwise, 180: gocv.Rotate180Clockwise, 270: gocv.Rotate90CounterClockwise}

// ended tells the end of a clip from damage.
func (s *source) ended() error {
	if s.ctx.Err() != nil {
		return failed(s.ctx, stepDecode, s.clip.Path, "ffmpeg", s.ctx.Err(), "")
	}
	all := len(s.clip.PTS)
	if all >= 30 && s.next > 0 && all-s.next <= spare && s.late == 0 {
		return io.EOF
	}
	what := fmt.Sprintf("damaged after frame %d of %d", s.next, all)
	if why := s.reader.why(); why != "" {
		what += ": " + why
	}
	return unreadable(stepDecode, s.clip.Path, hintCopy, "%s", what)
}

func (s *source) Close() error {
	if s.closed {
		return nil
	}
	s.closed = true
	s.frame.Pix = nil
	s.reader.close()
	for _, m := range []*gocv.Mat{&s.raw, &s.turned, &s.sized, &s.fixed, s.correct} {
		if m != nil {
			m.Close()
		}
	}
	return nil
}

// fitted is how a picture is made small: cutW×cutH pixels become w×h, scale
// the exact quotient for both.
type fitted struct {
	w, h, cutW, cutH int
	scale            float64
}

// fit finds the largest small picture whose scale is the same in both
// directions, leaving out as little as possible.
func fit(w, h, maxSide int) fitted {
	long := max(w, h)
	if maxSide <= 0 || maxSide >= long {
		return fitted{w, h, w, h, 1}
	}
	best, loss := fitted{}, math.Inf(1)
	for side := maxSide; side > 0 && side*10 >= maxSide*9; side-- {
		for cut := long; cut > long-8 && cut > side; cut-- {
			// The short side: s·cut/side must be whole.
			short := min(w, h) * side / cut
			for ; short > 0 && short*cut%side != 0; short-- {
			}
			cutShort := short * cut / side
			if short == 0 {
				continue
			}
			// A lost pixel weighs like a small picture one pixel smaller.
			l := float64(long-cut) + float64(min(w, h)-cutShort) + float64(maxSide-side)*float64(long)/float64(maxSide)
			if l < loss {
				loss = l
				best = fitted{side, short, cut, cutShort, float64(cut) / float64(side)}
			}
		}
	}
	if h > w {
		best.w, best.h, best.cutW, best.cutH = best.h, best.w, best.cutH, best.cutW
	}
	return best
}

// newCorrection is the linear map from a BGR picture decoded with the BT.601
// matrix to the one the clip's own matrix gives; nil where none is needed.
// Luma weights: ITU-R BT.601-7 §2.5.1, BT.709-6 §3.2, BT.2020-2 table 4.
func newCorrection(matrix string) *gocv.Mat {
	var kr, kb float64
	switch matrix {
	case "bt709":
		kr, kb = 0.2126, 0.0722
	case "bt2020":
		kr, kb = 0.2627, 0.0593
	default:
		return nil
	}
	a := product(toRGB(kr, kb), toYCC(0.299, 0.114))
	m := gocv.NewMatWithSize(3, 3, gocv.MatTypeCV32F)
	for i := range 3 {
		for j := range 3 {
			m.SetFloatAt(i, j, float32(a[2-i][2-j])) // BGR order
		}
	}
	return &m
}

type matrix3 [3][3]float64

// toYCC and toRGB are the full-range conversions for luma weights kr, kb.
// Video range scales Y and C differently but alike for both matrices, so it
// cancels out.
func toYCC(kr, kb float64) matrix3 {
	kg := 1 - kr - kb
	return matrix3{
		{kr, kg, kb},
		{-kr / (2 * (1 - kb)), -kg / (2 * (1 - kb)), 0.5},
		{0.5, -kg / (2 * (1 - kr)), -kb / (2 * (1 - kr))},
	}
}

func toRGB(kr, kb float64) matrix3 {
	kg := 1 - kr - kb
	return matrix3{
		{1, 0, 2 * (1 - kr)},
		{1, -2 * kb * (1 - kb) / kg, -2 * kr * (1 - kr) / kg},
		{1, 2 * (1 - kb), 0},
	}
}

func product(a, b matrix3) (c matrix3) {
	for i := range 3 {
		for j := range 3 {
			for k := range 3 {
				c[i][j] += a[i][k] * b[k][j]
			}
		}
	}
	return c
}

// capture decodes with OpenCV's FFmpeg backend.
type capture struct {
	v     *gocv.VideoCapture
	dir   string
	zero  float64 // time of the clip's first picture on the decoder's clock
	begun bool
}

// Not named by gocv 0.31; cv::CAP_PROP_ORIENTATION_AUTO.
const orientationAuto gocv.VideoCaptureProperties = 49

// OpenCV's only way to take options of its FFmpeg backend is the environment.
var limitOpenCV = sync.OnceFunc(func() {
	os.Setenv("OPENCV_FFMPEG_CAPTURE_OPTIONS", "protocol_whitelist;file|format_whitelist;mov,matroska,avi")
	if os.Getenv("OPENCV_FFMPEG_LOGLEVEL") == "" {
		os.Setenv("OPENCV_FFMPEG_LOGLEVEL", "-8") // its complaints are told once, by us
	}
})

func openCapture(c pipeline.Clip, skip int) (reader, error) {
	limitOpenCV()
	abs, err := filepath.Abs(c.Path)
	if err != nil {
		return nil, err
	}
	// A neutral name: OpenCV reads patterns and addresses out of names.
	dir, err := os.MkdirTemp("", "tapeline-clip-")
	if err != nil {
		return nil, &pipeline.Error{Fault: pipeline.FaultOutput, Step: stepDecode, What: "no room for temporary files", Hint: "check TMPDIR", Err: err}
	}
	link := filepath.Join(dir, "clip.mp4")
	if err := os.Symlink(abs, link); err != nil {
		os.RemoveAll(dir)
		return nil, &pipeline.Error{Fault: pipeline.FaultOutput, Step: stepDecode, What: "no room for temporary files", Hint: "check TMPDIR", Err: err}
	}
	v, err := gocv.VideoCaptureFileWithAPI(link, gocv.VideoCaptureFFmpeg)
	r := &capture{v: v, dir: dir}
	if err != nil || !v.IsOpened() {
		r.close()
		return nil, unreadable(stepDecode, c.Path, hintCopy, "its pictures can't be decoded (%s)", c.Codec)
	}
	// We turn the picture ourselves, so that it is turned exactly once.
	v.Set(orientationAuto, 0)
	// Seeking goes by frame number over a nominal rate and misses on clips of
	// variable rate; decoding up to the place doesn't.
	if skip > 0 {
		v.Grab(1)
		r.begin()
		v.Grab(skip - 1)
	}
	return r, nil
}

func (r *capture) begin() {
	if !r.begun {
		r.zero, r.begun = r.v.Get(gocv.VideoCapturePosMsec)/1000, true
	}
}

func (r *capture) read(m *gocv.Mat) bool {
	ok := r.v.Read(m)
	r.begin()
	return ok
}

func (r *capture) skip(n int) { r.v.Grab(n) }

func (r *capture) why() string { return "" }

// The last pictures, held back for reordering, come without a time.
func (r *capture) at() (float64, bool) {
	ms := r.v.Get(gocv.VideoCapturePosMsec)
	return ms/1000 - r.zero, ms > 0
}

func (r *capture) close() {
	r.v.Close()
	os.RemoveAll(r.dir)
}
