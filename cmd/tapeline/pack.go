package main

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"

	"tapeline/config"
	"tapeline/detect/coach"
	"tapeline/detect/others"
	"tapeline/detect/pose"
	"tapeline/overlay"
	"tapeline/overlay/sheet"
	"tapeline/pipeline"
	"tapeline/pipeline/clip"
	"tapeline/pipeline/outbox"
	"tapeline/pipeline/publish"
)

var packCommand = command{
	name:  "pack",
	about: "make of a lesson what may leave: cropped, quiet, small",
	usage: `usage: tapeline pack LESSON --clip CLIP [flags]

Makes LESSON/leaving/, what an e-mail may carry of the lesson in the folder
LESSON, from the clip it was read from:
  swing.mp4     the film, of the batter and the reach of the bat alone; of the
                clip's sound half a second around contact; the voice note
  swing.vtt     its captions
  stills.jpg    the stills
  leaving.json  what was cropped, whether somebody else was seen, hashes
All of them appear at once or not at all, in place of older ones. Where the film
can't be made small enough there is none, and leaving.json says so.

Every picture that leaves is looked at for people besides the batter.
  --clip CLIP     the original clip; another one is refused
  --others O      ask: somebody is seen, so the lesson waits for the coach;
                  blur: they are hidden behind coarse blocks, and every picture
                  is looked at again; allow: as it is (default ask)
  --max-bytes N   of film, stills and captions together (default 14MB)
  --name NAME     first name for the card at the start of the film
  --date DATE     day it was filmed, for that card
  --lang L  --units U  --config FILE    as for read
  --json          leaving.json on standard output, or the error as read tells it
  --staged        for the program that sends: the first name comes on standard
                  input, progress goes to standard error as JSON lines
The notes and the voice note beside the clip count as they do for read.
`,
}

func init() { packCommand.run = packs }

func packs(ctx context.Context, s streams, args []string) error {
	f := flag.NewFlagSet("pack", flag.ContinueOnError)
	var o options
	var by aside
	var sp speech
	var conf, path, who, most string
	var asJSON, staged bool
	sp.add(f)
	f.StringVar(&path, "clip", "", "")
	f.StringVar(&who, "others", "", "")
	f.StringVar(&most, "max-bytes", "", "")
	f.StringVar(&by.name, "name", "", "")
	f.StringVar(&by.date, "date", "", "")
	f.StringVar(&conf, "config", "", "")
	f.BoolVar(&asJSON, "json", false, "")
	f.BoolVar(&staged, "staged", false, "")
	lessons, err := parse(f, args)
	if err != nil {
		return err
	}
	if len(lessons) != 1 {
		return usage("pack: one lesson's folder, not %d", len(lessons))
	}
	if path == "" {
		return usage("pack: which clip was it read from? give --clip")
	}
	if err := by.check(); err != nil {
		return err
	}
	c, err := load(conf)
	if err != nil {
		return err
	}
	if o.text, err = sp.over(c); err != nil {
		return err
	}
	if o.rules, err = coach.RulesFile(c.Rules); err != nil {
		return err
	}
	o.home = c.Home
	bytes, err := config.ParseBytes(cmp.Or(most, c.Mail.MaxBytes))
	if err != nil || bytes < 1 {
		return usage("--max-bytes: %q is no size; write it like 14MB", most)
	}
	if staged {
		name, err := io.ReadAll(io.LimitReader(s.in, 200))
		if err != nil {
			return usage("--staged: standard input can't be read")
		}
		by.name = strings.TrimSpace(string(name))
	}
	p := newBar(s.err, filepath.Base(path))
	tell := p.tell
	if staged {
		tell = tellSteps(s.err)
	}
	lv, err := pack(ctx, o, by, lessons[0], path, cmp.Or(who, c.Others), bytes, tell)
	p.end()
	if asJSON {
		var line any = lv
		var e *pipeline.Error
		if errors.As(err, &e) {
			line = struct {
				Error jsonFault `json:"error"`
			}{jsonFault{int(e.Fault), e.Step, e.What, e.Hint}}
		}
		b, bad := json.Marshal(line)
		if bad != nil {
			return bad
		}
		if _, bad := s.out.Write(append(b, '\n')); bad != nil {
			return bad
		}
		return err
	}
	if err != nil {
		return err
	}
	printLeaving(s.out, o.text.Leaving, filepath.Join(lessons[0], pipeline.LeavingDir), lv)
	return nil
}

// printLeaving says what was made and what the coach has to decide.
func printLeaving(w io.Writer, text map[string]string, dir string, lv pipeline.Leaving) {
	for _, n := range []string{pipeline.LeavingFilmFile, pipeline.LeavingSheetFile, pipeline.LeavingCaptionsFile, pipeline.LeavingFile} {
		if n == pipeline.LeavingFile || lv.Files[n] != "" {
			fmt.Fprintln(w, filepath.Join(dir, n))
		}
	}
	if lv.FilmWaits != "" {
		fmt.Fprintln(w, text[lv.FilmWaits])
	}
	switch {
	case lv.Seen == 0:
		fmt.Fprintf(w, text["alone"]+"\n", lv.Looked)
	case lv.Others == outbox.OthersAllow:
		fmt.Fprintf(w, text["allowed"]+"\n", lv.Seen, lv.Looked)
	case lv.Free():
		fmt.Fprintf(w, text["hidden"]+"\n", lv.Seen, lv.Looked)
	case lv.Others == outbox.OthersBlur:
		fmt.Fprintf(w, text["not_hidden"]+"\n", lv.Seen-lv.Blurred, lv.Looked)
	default:
		fmt.Fprintf(w, text["seen"]+"\n", lv.Seen, lv.Looked)
	}
}

// filmTooLarge is why a film waits with the coach.
const filmTooLarge = "film_too_large"

const (
	lookSide    = 960 // pixels of the crop's longer side when people are looked for
	soundAround = .5  // seconds of capture time around contact that may be heard
	leastFilm   = 64 << 10
)

// veils are how coarse the blocks over a person may get, of the body's height:
// a head is about .13 of it (pipeline's sources), so that even the finest makes
// one block of it. The next is taken for the whole film where the network still
// sees somebody in one picture.
var veils = []float64{1. / 6, 1. / 4, 1. / 2, 1}

// stillsQuality are the JPEG qualities of the stills, until they take at most
// half of the bytes.
var stillsQuality = []int{88, 75, 60, 45}

// pack makes the folder of what may leave (pipeline.LeavingDir) of the lesson
// in the folder lesson, from its original clip: whole or not at all, in place
// of one that is there. who is "ask", "blur" or "allow"; most is how many
// bytes film, stills and captions may have together. Of o it takes the
// language, the rules and the set-up's folder, of by the first name, the day
// and the voice note (empty: the one beside the clip). Errors are
// *pipeline.Error: FaultUsage where clip and lesson don't belong together.
func pack(ctx context.Context, o options, by aside, lesson, clipPath, who string, most int64, tell pipeline.Progress) (pipeline.Leaving, error) {
	lv, err := packed(ctx, o, by, lesson, clipPath, who, most, tell)
	if err == nil {
		return lv, nil
	}
	var e *pipeline.Error
	switch {
	case ctx.Err() != nil:
		return lv, &pipeline.Error{Fault: pipeline.FaultInterrupted, Step: "pack", Path: lesson, What: "interrupted; nothing was written", Err: err}
	case errors.As(err, &e):
		return lv, e
	}
	return lv, &pipeline.Error{Fault: pipeline.FaultInternal, Step: "pack", Path: lesson, What: err.Error(), Err: err}
}

func packed(ctx context.Context, o options, by aside, lesson, clipPath, who string, most int64, tell pipeline.Progress) (lv pipeline.Leaving, err error) {
	if !slices.Contains([]string{outbox.OthersAsk, outbox.OthersBlur, outbox.OthersAllow}, who) {
		return lv, usage("--others: %q is not one of %s, %s, %s", who, outbox.OthersAsk, outbox.OthersBlur, outbox.OthersAllow)
	}
	track, err := openTrack(lesson)
	if err != nil {
		return lv, err
	}
	at, err := clip.Probe(ctx, clipPath)
	if err != nil {
		return lv, err
	}
	if at.ID != track.Clip.ID {
		return lv, &pipeline.Error{Fault: pipeline.FaultUsage, Step: "pack", Path: clipPath, What: "is not the clip of this lesson", Hint: "its bytes are others than those that were read"}
	}
	c := track.Clip // with what was said of its time when it was read
	c.Path = clipPath
	rep, sum, err := asShown(lesson, clipPath, track, o.rules)
	if err != nil {
		return lv, err
	}
	var voice []float32
	if note := cmp.Or(by.voice, voiceBeside(clipPath)); note != "" {
		if voice, err = clip.Voice(ctx, note); err != nil {
			return lv, err
		}
	}
	lv = pipeline.Leaving{Schema: pipeline.LeavingSchema, Clip: c.ID, Report: sum, Name: by.name, Others: who, Files: map[string]string{}}
	p := &parcel{ctx: ctx, clip: c, tell: tell, rep: rep}
	// Which frames are shown does not depend on the crop, which depends on them.
	card := overlay.FilmOptions{FirstName: by.name, Date: by.date, Voice: clip.VoiceSeconds(voice)}
	whole, err := overlay.NewFilm(&rep, c, o.text, card)
	if err != nil {
		return lv, err
	}
	p.frames = leaving(whole.Shots(), rep.Chosen())
	p.crop = pipeline.Around(c, rep.Chosen(), p.frames[0], p.frames[len(p.frames)-1])
	p.rep = rep.Cropped(p.crop)
	p.body = bodies(track, rep.Chosen())
	p.camera = map[int]pipeline.Camera{}
	for _, d := range rep.Chosen().Path {
		p.camera[d.Frame] = d.Camera
	}
	lv.Crop = p.crop
	film, err := overlay.NewFilm(&p.rep, c.Cropped(p.crop), o.text, card)
	if err != nil {
		return lv, err
	}
	if err := p.others(o, &lv); err != nil {
		return lv, err
	}
	return lv, publish.Folder(filepath.Join(lesson, pipeline.LeavingDir), func(dir string) error {
		stills, err := p.stills(o, by, most/2)
		if err != nil {
			return err
		}
		captions := clip.WebVTT(captions(film))
		files := map[string][]byte{pipeline.LeavingSheetFile: stills}
		room := most - int64(len(stills)) - int64(len(captions))
		switch err := p.film(film, voice, filepath.Join(dir, pipeline.LeavingFilmFile), room); {
		case errors.Is(err, clip.ErrTooLarge):
			lv.FilmWaits = filmTooLarge
		case err != nil:
			return err
		default:
			files[pipeline.LeavingCaptionsFile] = captions
			b, err := os.ReadFile(filepath.Join(dir, pipeline.LeavingFilmFile))
			if err != nil {
				return err
			}
			lv.Files[pipeline.LeavingFilmFile] = hash(b)
		}
		for name, b := range files {
			lv.Files[name] = hash(b)
			if err := writeFile(filepath.Join(dir, name), b); err != nil {
				return err
			}
		}
		b, err := json.MarshalIndent(lv, "", "  ")
		if err != nil {
			return err
		}
		return writeFile(filepath.Join(dir, pipeline.LeavingFile), append(b, '\n'))
	})
}

func hash(b []byte) string {
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:])
}

// asShown is the report that lies in the lesson's folder with the paths that it
// is drawn by, and its hash. The paths come of judging the track again, by the
// notes as they were or as they are now; where neither gives the same events
// and lines, it is not the same lesson any more.
func asShown(lesson, clipPath string, track pipeline.Track, rules []coach.Rule) (rep pipeline.Report, sum string, err error) {
	path := filepath.Join(lesson, pipeline.ReportFile)
	b, err := os.ReadFile(path)
	if err == nil {
		err = json.Unmarshal(b, &rep)
	}
	if err != nil || rep.Chosen() == nil {
		return rep, "", &pipeline.Error{Fault: pipeline.FaultUnreadable, Step: "pack", Path: path, What: "can't be read as a report", Hint: "read the clip again", Err: err}
	}
	if rep.Clip.ID != track.Clip.ID {
		return rep, "", &pipeline.Error{Fault: pipeline.FaultUsage, Step: "pack", Path: lesson, What: "its report and its track are of different clips", Hint: "read the clip again"}
	}
	known := []pipeline.Given{track.Given}
	if side := config.SidecarPath(clipPath); exists(side) {
		given, err := sidecarOver(side, track.Given)
		if err != nil {
			return rep, "", err
		}
		known = append(known, given)
	}
	for _, given := range known {
		again, err := judging(rules)(track, given)
		if err != nil {
			continue // those notes are not what it was judged by
		}
		if drawnAlike(rep, again) {
			for i := range rep.Swings {
				rep.Swings[i].Path = again.Swings[i].Path
			}
			return rep, hash(b), nil
		}
	}
	return rep, "", &pipeline.Error{Fault: pipeline.FaultUsage, Step: "pack", Path: lesson, What: "its report is no longer what its track gives", Hint: "read the clip again"}
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// drawnAlike tells whether two reports have the same swings, with the same
// events and lines.
func drawnAlike(a, b pipeline.Report) bool {
	if len(a.Swings) != len(b.Swings) {
		return false
	}
	for i := range a.Swings {
		type drawn struct {
			Chosen   bool
			Events   []pipeline.Event
			Geometry pipeline.Geometry
		}
		s, t := a.Swings[i], b.Swings[i]
		x, errX := json.Marshal(drawn{s.Chosen, s.Events, s.Geometry})
		y, errY := json.Marshal(drawn{t.Chosen, t.Events, t.Geometry})
		if errX != nil || errY != nil || !bytes.Equal(x, y) {
			return false
		}
	}
	return true
}

// leaving are the numbers of the decoded frames that leave: of the film and of
// the stills.
func leaving(shots []overlay.Shot, sw *pipeline.Swing) (frames []int) {
	for _, s := range shots {
		if s.Source >= 0 {
			frames = append(frames, s.Source)
		}
	}
	for _, e := range sw.Events {
		if e.T != nil && e.Frame != nil {
			frames = append(frames, *e.Frame)
		}
	}
	slices.Sort(frames)
	return slices.Compact(frames)
}

// bodies gives where the batter's body is in a frame: as it was read, or both
// readings around it.
func bodies(track pipeline.Track, sw *pipeline.Swing) func(frame int) pipeline.Silhouette {
	type read struct {
		frame int
		body  pipeline.Silhouette
	}
	var all []read
	for _, w := range track.Windows {
		if len(w.Frames) == 0 || len(sw.Path) == 0 || sw.Path[0].Frame < w.Frames[0].Index || sw.Path[0].Frame > w.Frames[len(w.Frames)-1].Index {
			continue
		}
		for _, s := range w.Frames {
			if s.Pose != nil {
				all = append(all, read{s.Index, s.Pose.Silhouette()})
			}
		}
	}
	return func(frame int) pipeline.Silhouette {
		i, exact := slices.BinarySearchFunc(all, frame, func(r read, n int) int { return r.frame - n })
		switch {
		case len(all) == 0:
			return nil
		case exact:
			return all[i].body
		case i == 0:
			return all[0].body
		case i == len(all):
			return all[i-1].body
		}
		return slices.Concat(all[i-1].body, all[i].body)
	}
}

// parcel is what is known while a lesson is packed.
type parcel struct {
	ctx    context.Context
	clip   pipeline.Clip
	tell   pipeline.Progress
	rep    pipeline.Report // as if only the crop had been filmed
	crop   [4]int
	frames []int                   // that leave, in order
	camera map[int]pipeline.Camera // of the whole picture
	body   func(frame int) pipeline.Silhouette
	veils  map[int][]others.Veil // by frame, what is hidden; pixels of the whole picture
	block  float64               // of the hidden bodies' height; 0: nothing is hidden
}

// hide lays the veils over a frame that was cropped.
func (p *parcel) hide(f *pipeline.Frame) {
	if p.block == 0 {
		return
	}
	by := pipeline.Point{X: -float64(p.crop[0]), Y: -float64(p.crop[1])}
	for _, v := range p.veils[f.Index] {
		box := [4]float64{v.Box[0] + by.X, v.Box[1] + by.Y, v.Box[2] + by.X, v.Box[3] + by.Y}
		overlay.Veil(f, box, p.block*v.Tall, p.body(f.Index).Moved(by))
	}
}

// side is how large the whole picture is decoded to get a crop of so many
// pixels.
func (p *parcel) side(crop int) int {
	long := max(p.clip.Width, p.clip.Height)
	if have := max(p.crop[2], p.crop[3]); have > crop {
		return (crop*long + have - 1) / have
	}
	return long
}

// each decodes the frames that leave and hands them on, with a copy of the
// networks, to as many goroutines as there are of these: do is called by
// several at once, for frames in no order.
func (p *parcel) each(step string, cut bool, nets []*pose.Nets, do func(n *pose.Nets, f *pipeline.Frame) error) error {
	first, last := p.frames[0], p.frames[len(p.frames)-1]
	src, err := clip.Open(p.ctx, p.clip, clip.Options{MaxSide: p.side(lookSide), From: p.clip.PTS[first], To: p.clip.PTS[last]})
	if err != nil {
		return err
	}
	if cut {
		src = clip.Crop(src, p.crop)
	}
	defer src.Close()
	frames := make(chan *pipeline.Frame)
	faults := make(chan error, len(nets))
	for _, n := range nets {
		go func() {
			var fault error
			for f := range frames {
				if fault == nil {
					fault = do(n, f)
				}
			}
			faults <- fault
		}()
	}
	err = func() error {
		defer close(frames)
		for done := 0; ; {
			f, err := src.Next()
			if errors.Is(err, io.EOF) {
				return nil
			}
			if err != nil {
				return err
			}
			if _, leaves := slices.BinarySearch(p.frames, f.Index); !leaves {
				continue
			}
			p.tell.Tell(step, done, len(p.frames))
			mine := *f
			mine.Pix = slices.Clone(f.Pix)
			frames <- &mine
			done++
		}
	}()
	for range nets {
		err = errors.Join(err, <-faults)
	}
	return err
}

// lookers is how many frames are looked at at once: a network takes a core.
const lookers = 2

// others looks for people besides the batter and, where they are to be hidden,
// finds blocks so coarse that nobody is seen any more.
func (p *parcel) others(o options, lv *pipeline.Leaving) error {
	var nets []*pose.Nets
	for range min(lookers, runtime.GOMAXPROCS(0)) {
		n, err := pose.Open(cmp.Or(o.home, pose.DefaultDir()), pose.Options{})
		if err != nil {
			return err
		}
		defer n.Close()
		nets = append(nets, n)
	}
	part := [4]float64{float64(p.crop[0]), float64(p.crop[1]), float64(p.crop[0] + p.crop[2]), float64(p.crop[1] + p.crop[3])}
	var lock sync.Mutex
	looks := map[int]others.Frame{}
	err := p.each("look", false, nets, func(n *pose.Nets, f *pipeline.Frame) error {
		found, err := others.Look(n, f, part, p.body(f.Index))
		lock.Lock()
		defer lock.Unlock()
		looks[f.Index] = others.Frame{T: p.clip.Capture(f.PTS), Found: found}
		return err
	})
	if err != nil {
		return err
	}
	index := slices.Sorted(maps.Keys(looks))
	frames := make([]others.Frame, len(index))
	cam := pipeline.Identity()
	for i, n := range index {
		if c, ok := p.camera[n]; ok { // where it was not followed, the one before holds
			cam = c
		}
		frames[i] = looks[n]
		frames[i].Camera = cam
	}
	p.veils = map[int][]others.Veil{}
	lv.Looked = len(frames)
	for i, v := range others.Join(frames) {
		if len(v) > 0 {
			lv.Seen++
			p.veils[index[i]] = v
		}
	}
	if lv.Others != outbox.OthersBlur || lv.Seen == 0 {
		return nil
	}
	by := pipeline.Point{X: -part[0], Y: -part[1]} // to the crop's own pixels
	for _, p.block = range veils {
		lv.Blurred = 0
		err := p.each("check", true, nets, func(n *pose.Nets, f *pipeline.Frame) error {
			if len(p.veils[f.Index]) == 0 {
				return nil
			}
			p.hide(f)
			found, err := others.Look(n, f, [4]float64{0, 0, float64(p.crop[2]), float64(p.crop[3])}, p.body(f.Index).Moved(by))
			if err == nil && !slices.ContainsFunc(found, func(x others.Found) bool { return x.Score >= others.Sure }) {
				lock.Lock()
				lv.Blurred++
				lock.Unlock()
			}
			return err
		})
		if err != nil || lv.Blurred == lv.Seen {
			return err
		}
	}
	return nil
}

// open decodes what leaves: cropped, and veiled where it must be.
func (p *parcel) open(o clip.Options) (pipeline.Source, error) {
	src, err := clip.Open(p.ctx, p.clip, o)
	if err != nil {
		return nil, err
	}
	return clip.Crop(src, p.crop), nil
}

// stills is the contact sheet as a JPEG of at most so many bytes, or as few as
// can be.
func (p *parcel) stills(o options, by aside, most int64) ([]byte, error) {
	reel := reel{ctx: p.ctx, clip: p.clip, maxSide: p.side(stillSide), open: p.open, touch: p.hide}
	stills, err := stillsFrom(&reel, &p.rep)
	if err != nil {
		return nil, err
	}
	img, err := sheet.Make(&p.rep, stills, o.text, sheet.Head{FirstName: by.name, Date: by.date, Leaves: true})
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	for _, q := range stillsQuality {
		b.Reset()
		if err := jpeg.Encode(&b, image.Image(img), &jpeg.Options{Quality: q}); err != nil {
			return nil, err
		}
		if int64(b.Len()) <= most {
			break
		}
	}
	return b.Bytes(), nil
}

// film paints the film in at most so many bytes; clip.ErrTooLarge where it
// can't be.
func (p *parcel) film(film *overlay.Film, voice []float32, path string, most int64) error {
	if most < leastFilm {
		return clip.ErrTooLarge
	}
	spec := filmSpec(p.clip, film, voice)
	spec.MaxBytes, spec.LeastHeight = most, film.LeastHeight()
	var heard []clip.SoundSpan
	if e := p.rep.Chosen().Event(pipeline.Contact); e != nil && e.T != nil {
		heard = clip.Near(spec.Sound, *e.T, soundAround*max(1, p.clip.TimeFactor))
	}
	spec.Sound = heard
	w, h := film.Size()
	return paintSpec(p.ctx, film, spec, &reel{ctx: p.ctx, clip: p.clip, maxSide: p.side(max(w, h)), open: p.open, touch: p.hide}, path, p.tell)
}
