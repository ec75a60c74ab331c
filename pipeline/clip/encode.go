package clip

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"

	"tapeline/pipeline"
)

// SoundSpan lays the original's sound from From to To (presentation time of
// the clip) into the output at At, seconds.
type SoundSpan struct{ At, From, To float64 }

// Spec says what is written: pictures of Width×Height (even), FPS a second.
// Without Voice, and without Sound or a sound track in SoundFrom, the output is
// silent. Voice, samples as Voice gives them, begins at VoiceAt seconds; the
// clip's own sound is held down under it.
type Spec struct {
	Width, Height, FPS int
	Sound              []SoundSpan
	SoundFrom          *pipeline.Clip
	Voice              []float32
	VoiceAt            float64
	// Captions become a text track in Language ("en"); it is not shown unless
	// asked for, since the picture carries the same words.
	Captions []Caption
	Language string
	// MaxBytes is how large the file may become; 0: as it comes. Where it would
	// be larger it is encoded anew for that size, with smaller pictures if need
	// be, LeastHeight pixels high at least. Close fails with ErrTooLarge where
	// that is not enough.
	MaxBytes    int64
	LeastHeight int
	// Planes says that pictures come through WritePlanes.
	Planes bool
	// Parts is how many parts the video is written in, one after the other in
	// it but written side by side (see Encoder.Part); 0 counts as 1. Several go
	// with no MaxBytes.
	Parts int
}

// Encoder writes an MP4: H.264 High, yuv420p, BT.709 limited range and tagged
// so, moov first, no metadata of any kind. Feed it with Write, then Close; on
// any error, and after Abort, nothing is left at the path. Not safe for
// several goroutines, but each of its parts may be written by a goroutine of
// its own until Close.
type Encoder struct {
	ctx    context.Context
	cancel context.CancelFunc
	path   string
	spec   Spec
	dir    string // beside the output, removed at the end
	parts  []*Part
	frames int    // of all parts, once they have ended
	heard  string // the sound's file, "": none
	wrote  bool   // the file at path is ours
	done   bool
	err    error
}

// Part is one part of the video. The last one is encoded while it is written;
// pictures of the others wait in a file beside the output until it has ended:
// an encoder takes 200 MB of memory, and those are few.
type Part struct {
	e      *Encoder
	file   string
	cmd    *exec.Cmd
	in     io.WriteCloser // the process's, or of what waits
	errs   bytes.Buffer
	frames int
	waits  *os.File // nil: encoded at once
	times  []int    // how often each picture comes that waits
	err    error
}

const (
	soundRate  = 48000
	soundPiece = 5 * soundRate // samples in memory at once
)

// NewEncoder starts writing to path, which is the caller's to publish; an
// existing file there is replaced.
func NewEncoder(ctx context.Context, path string, s Spec) (*Encoder, error) {
	if s.Width < 16 || s.Height < 16 || s.Width%2 != 0 || s.Height%2 != 0 || s.FPS < 1 || s.FPS > 240 {
		return nil, &pipeline.Error{Fault: pipeline.FaultInternal, Step: stepEncode, What: fmt.Sprintf("can't write %d×%d at %d a second: sides must be even", s.Width, s.Height, s.FPS)}
	}
	parts := max(1, s.Parts)
	if parts > 1 && s.MaxBytes > 0 {
		return nil, &pipeline.Error{Fault: pipeline.FaultInternal, Step: stepEncode, What: "parts with a limit of bytes"}
	}
	if parts > 1 && !s.Planes {
		return nil, &pipeline.Error{Fault: pipeline.FaultInternal, Step: stepEncode, What: "parts of RGB pictures"}
	}
	if _, err := Level(s.Width, s.Height, s.FPS); err != nil {
		return nil, err
	}
	dir, err := os.MkdirTemp(filepath.Dir(path), ".encode-")
	if err != nil {
		return nil, &pipeline.Error{Fault: pipeline.FaultOutput, Step: stepEncode, Path: path, What: "can't be written", Hint: "check the output folder's permissions and space", Err: err}
	}
	e := &Encoder{path: path, spec: s, dir: dir}
	e.ctx, e.cancel = context.WithCancel(ctx)
	for i := range parts {
		p := &Part{e: e, file: filepath.Join(e.dir, fmt.Sprintf("picture%d.mp4", i))}
		if i+1 < parts {
			if p.waits, err = os.OpenFile(filepath.Join(e.dir, fmt.Sprintf("waiting%d", i)), os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600); err != nil {
				e.Abort()
				return nil, p.spaceless(err)
			}
			p.in = p.waits
		} else if err := p.begin(); err != nil {
			e.Abort()
			return nil, err
		}
		e.parts = append(e.parts, p)
	}
	return e, nil
}

// begin starts the process that encodes the part.
func (p *Part) begin() error {
	s := p.e.spec
	level, err := Level(s.Width, s.Height, s.FPS)
	if err != nil {
		return err
	}
	format, filter := "rgba", []string{"-vf", "scale=out_color_matrix=bt709:out_range=tv:flags=bicubic+accurate_rnd+full_chroma_int,format=yuv420p"}
	if s.Planes {
		format, filter = "yuv420p", nil
	}
	cmd := command(p.e.ctx, "ffmpeg", slices.Concat([]string{"-v", "error", "-y", "-protocol_whitelist", "pipe",
		"-f", "rawvideo", "-pix_fmt", format, "-s", fmt.Sprintf("%dx%d", s.Width, s.Height), "-r", strconv.Itoa(s.FPS), "-i", "pipe:0"},
		filter, CodecArgs(level, s.FPS), []string{"-f", "mp4", fileName(p.file)})...)
	cmd.Stderr = &p.errs
	in, err := cmd.StdinPipe()
	if err == nil {
		wide(in)
		err = cmd.Start()
	}
	if err != nil {
		return failed(p.e.ctx, stepEncode, p.e.path, "ffmpeg", err, "")
	}
	p.cmd, p.in = cmd, in
	return nil
}

// end waits until what was written is encoded.
func (p *Part) end() error {
	p.in.Close()
	if err := p.cmd.Wait(); err != nil {
		return p.e.explain(err, p.errs.String())
	}
	return nil
}

// encode encodes what waits.
func (p *Part) encode() error {
	if _, err := p.waits.Seek(0, io.SeekStart); err != nil {
		return p.spaceless(err)
	}
	if err := p.begin(); err != nil {
		return err
	}
	b := make([]byte, p.e.spec.Width*p.e.spec.Height*3/2)
	for _, n := range p.times {
		if _, err := io.ReadFull(p.waits, b); err != nil {
			return p.spaceless(err)
		}
		for range n {
			if _, err := p.in.Write(b); err != nil {
				if werr := p.cmd.Wait(); werr != nil {
					err = werr
				}
				return p.e.explain(err, p.errs.String())
			}
		}
	}
	return p.end()
}

func (p *Part) spaceless(err error) error {
	return &pipeline.Error{Fault: pipeline.FaultOutput, Step: stepEncode, Path: p.e.path, What: "no room for the video's pictures", Hint: "check the space of the output folder", Err: err}
}

// Part is one of the parts, counted from 0.
func (e *Encoder) Part(i int) *Part { return e.parts[i] }

// soundRate is enough for a crack and a voice where bytes are counted.
func (e *Encoder) soundRate() string {
	if e.spec.MaxBytes > 0 {
		return "64k"
	}
	return "128k"
}

// CodecArgs are ffmpeg's arguments for the picture of a film.
func CodecArgs(level string, fps int) []string {
	return []string{"-c:v", "libx264", "-profile:v", "high", "-level", level, "-preset", "veryfast", "-crf", "20", "-bf", "2", // a third of the time of "medium", no larger
		"-maxrate", "12M", "-bufsize", "12M", "-g", strconv.Itoa(2 * fps),
		// x264's output may depend on the number of threads. Two keep two
		// processors busy; each more has 15 MB of pictures of its own.
		"-threads", "2",
		"-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709", "-color_range", "tv"}
}

// video is the file of the pictures; of several parts the first.
func (e *Encoder) video() string { return e.parts[0].file }

// fileName is a path that ffmpeg takes for nothing but a file.
func fileName(path string) string {
	if abs, err := filepath.Abs(path); err == nil {
		path = abs
	}
	return "file:" + path
}

// Write appends one picture; img must be opaque and of the Spec's size.
func (e *Encoder) Write(img *image.RGBA) error {
	p := e.parts[0]
	err := p.takes(img.Rect, false)
	if err == nil {
		err = p.rows(img.Pix, img.Stride, 4*e.spec.Width, e.spec.Height, true)
	}
	return e.written(err)
}

// written ends the encoder with an error of writing.
func (e *Encoder) written(err error) error {
	if err != nil && e.err == nil && !e.done {
		return e.fail(err)
	}
	return err
}

// WritePlanes appends one picture of a Spec with Planes: see Part.WritePlanes.
func (e *Encoder) WritePlanes(img *image.YCbCr) error {
	return e.written(e.parts[0].WritePlanes(img, 1))
}

// WritePlanes appends one picture, so many times: 4:2:0, BT.709 in limited
// range, of the Spec's size. After an error the Encoder is only good for Abort.
func (p *Part) WritePlanes(img *image.YCbCr, times int) error {
	if p.waits == nil {
		for range times {
			if err := p.write(img); err != nil {
				return err
			}
		}
		return nil
	}
	err := p.write(img)
	if err == nil {
		p.times = append(p.times, times)
		p.frames += times - 1
	}
	return err
}

func (p *Part) write(img *image.YCbCr) error {
	if err := p.takes(img.Rect, true); err != nil {
		return err
	}
	if img.SubsampleRatio != image.YCbCrSubsampleRatio420 {
		return p.fail(&pipeline.Error{Fault: pipeline.FaultInternal, Step: stepEncode, What: fmt.Sprintf("planes of %v", img.SubsampleRatio)})
	}
	w, h := p.e.spec.Width, p.e.spec.Height
	if err := p.rows(img.Y, img.YStride, w, h, false); err != nil {
		return err
	}
	if err := p.rows(img.Cb, img.CStride, w/2, h/2, false); err != nil {
		return err
	}
	return p.rows(img.Cr, img.CStride, w/2, h/2, true)
}

// takes is nil where a picture can be written.
func (p *Part) takes(r image.Rectangle, planes bool) error {
	if p.err != nil {
		return p.err
	}
	if p.e.err != nil {
		return p.e.err
	}
	if p.e.done {
		return &pipeline.Error{Fault: pipeline.FaultInternal, Step: stepEncode, What: "written to after its end"}
	}
	if w, h := p.e.spec.Width, p.e.spec.Height; r.Dx() != w || r.Dy() != h || planes != p.e.spec.Planes {
		return p.fail(&pipeline.Error{Fault: pipeline.FaultInternal, Step: stepEncode, What: fmt.Sprintf("a picture of %d×%d (planes: %v) for a video of %d×%d (planes: %v)", r.Dx(), r.Dy(), planes, w, h, p.e.spec.Planes)})
	}
	return nil
}

// rows hands over h rows of w bytes; last: the picture's last ones.
func (p *Part) rows(pix []byte, stride, w, h int, last bool) error {
	var err error
	if stride == w {
		_, err = p.in.Write(pix[:w*h])
	} else { // a part of a larger picture
		for y := 0; y < h && err == nil; y++ {
			_, err = p.in.Write(pix[y*stride : y*stride+w])
		}
	}
	if err != nil && p.waits != nil {
		return p.fail(p.spaceless(err))
	}
	if err != nil {
		// ffmpeg is gone; what it said tells more than the broken pipe.
		if werr := p.cmd.Wait(); werr != nil {
			err = werr
		}
		return p.fail(p.e.explain(err, p.errs.String()))
	}
	if last {
		p.frames++
	}
	return nil
}

// fail ends the part: what is left of the Encoder its Abort takes away.
func (p *Part) fail(err error) error {
	p.err = err
	return err
}

func (e *Encoder) explain(err error, stderr string) error {
	err = failed(e.ctx, stepEncode, e.path, "ffmpeg", err, stderr)
	var pe *pipeline.Error
	if errors.As(err, &pe) && pe.Fault == pipeline.FaultUnreadable {
		pe.Fault, pe.What, pe.Hint = pipeline.FaultOutput, "the video can't be written: "+lastLine(stderr), "check the space and permissions of the output folder"
	}
	return err
}

// fail ends the encoder and leaves nothing.
func (e *Encoder) fail(err error) error {
	e.err = err
	e.Abort()
	return err
}

// Abort stops and removes what was written. After Close it does nothing.
func (e *Encoder) Abort() {
	if e.done {
		return
	}
	e.done = true
	if e.err == nil {
		e.err = &pipeline.Error{Fault: pipeline.FaultInternal, Step: stepEncode, What: "written to after Abort"}
	}
	e.cancel()
	for _, p := range e.parts {
		p.in.Close()
		if p.waits != nil {
			p.waits.Close()
		}
		if p.cmd != nil {
			_ = p.cmd.Wait() // killed: its error says nothing new
		}
	}
	e.clean()
	if e.wrote {
		os.Remove(e.path)
	}
}

func (e *Encoder) clean() {
	e.cancel()
	os.RemoveAll(e.dir)
}

// Close finishes the file, adds the sound, and reads it back: frames, size,
// pixel format, colour tags, order of boxes, no metadata. Only a nil error
// means that the file is there and right.
func (e *Encoder) Close() error {
	if e.done || e.err != nil {
		return e.err
	}
	for _, p := range e.parts {
		if p.err != nil {
			return e.fail(p.err)
		}
		if p.frames == 0 {
			return e.fail(&pipeline.Error{Fault: pipeline.FaultInternal, Step: stepEncode, What: "no pictures were written"})
		}
		e.frames += p.frames
	}
	var deaf error
	var listening sync.WaitGroup
	listening.Go(func() {
		defer pipeline.Catch(&deaf)
		e.heard, deaf = e.sound()
	})
	err := func() (err error) {
		defer pipeline.Catch(&err)
		return e.encodeAll()
	}()
	if err != nil {
		e.cancel()
	}
	listening.Wait() // it writes into the folder
	if err = cmp.Or(err, deaf); err != nil {
		return e.fail(err)
	}
	if err := e.mux(); err != nil {
		return e.fail(err)
	}
	if e.spec.MaxBytes > 0 {
		if err := e.fit(); err != nil {
			return e.fail(err)
		}
	}
	if err := e.verify(); err != nil {
		return e.fail(err)
	}
	e.done = true
	e.clean()
	return nil
}

// encodeAll ends the part that is being encoded and encodes those that wait,
// one encoder at a time.
func (e *Encoder) encodeAll() error {
	last := len(e.parts) - 1
	if err := e.parts[last].end(); err != nil {
		return err
	}
	for _, p := range e.parts[:last] {
		if err := p.encode(); err != nil {
			return err
		}
		p.waits.Close()
		os.Remove(p.waits.Name())
	}
	return nil
}

// mux writes the final file from the picture, the sound and the captions.
func (e *Encoder) mux() error {
	pictures, err := e.pictures()
	if err != nil {
		return err
	}
	in := append([]string{"-nostdin", "-v", "error", "-y", "-protocol_whitelist", "file"}, pictures...)
	out := []string{"-map", "0:v:0"}
	inputs := 1
	if e.heard != "" {
		in = append(in, "-f", "f32le", "-ar", strconv.Itoa(soundRate), "-ac", "1", "-i", fileName(e.heard))
		out = append(out, "-map", "1:a:0", "-c:a", "aac", "-b:a", e.soundRate(), "-flags:a", "+bitexact")
		inputs++
	}
	text, track, err := e.captionArgs(inputs)
	if err != nil {
		return err
	}
	args := slices.Concat(in, text, out, []string{"-c:v", "copy",
		"-bsf:v", "filter_units=remove_types=6", // the encoder's note about itself
		"-map_metadata", "-1", "-map_metadata:s", "-1", "-map_chapters", "-1", "-fflags", "+bitexact"},
		track, []string{"-movflags", "+faststart", "-f", "mp4", fileName(e.path)})
	e.wrote = true
	if _, err := run(e.ctx, stepEncode, e.path, "ffmpeg", args...); err != nil {
		var pe *pipeline.Error
		if errors.As(err, &pe) && pe.Fault == pipeline.FaultUnreadable {
			pe.Fault, pe.What, pe.Hint = pipeline.FaultOutput, strings.Replace(pe.What, "damaged or not playable", "the video can't be written", 1), "check the space and permissions of the output folder"
		}
		return err
	}
	return nil
}

// pictures are ffmpeg's arguments for the encoded pictures as one input. The
// parts' streams have the same head, so they follow one another unchanged.
func (e *Encoder) pictures() ([]string, error) {
	if len(e.parts) == 1 {
		return []string{"-f", demuxerMOV, "-i", fileName(e.video())}, nil
	}
	var list strings.Builder
	list.WriteString("ffconcat version 1.0\n")
	for _, p := range e.parts {
		fmt.Fprintf(&list, "file %s\nduration %.9f\n", filepath.Base(p.file), float64(p.frames)/float64(e.spec.FPS))
	}
	path := filepath.Join(e.dir, "parts")
	if err := os.WriteFile(path, []byte(list.String()), 0o600); err != nil {
		return nil, &pipeline.Error{Fault: pipeline.FaultOutput, Step: stepEncode, Path: e.path, What: "the video can't be written", Hint: "check the space of the output folder", Err: err}
	}
	return []string{"-f", "concat", "-auto_convert", "0", "-i", fileName(path)}, nil
}

// sound writes the sound track as raw samples, exactly as long as the
// picture, and returns its path; "" if there is none.
func (e *Encoder) sound() (string, error) {
	c := e.spec.SoundFrom
	own := c != nil && c.HasAudio && len(e.spec.Sound) > 0
	if !own && len(e.spec.Voice) == 0 {
		return "", nil
	}
	if err := e.spec.voiceFits(e.frames); err != nil {
		return "", err
	}
	out := make([]float32, e.frames*soundRate/e.spec.FPS)
	if own {
		// In pieces: an encoder is at work meanwhile, and memory dear.
		n := 0
		err := EachSound(e.ctx, *c, soundRate, soundPiece, func(in []float32, _ float64) error {
			layout(out, in, n, c.AudioStart, e.spec.Sound)
			n += len(in)
			return nil
		})
		if err != nil {
			return "", err
		}
	}
	speak(out, e.spec.Voice, e.spec.VoiceAt)
	b := make([]byte, 4*len(out))
	for i, v := range out {
		binary.LittleEndian.PutUint32(b[4*i:], math.Float32bits(v))
	}
	path := filepath.Join(e.dir, "sound.raw")
	if err := os.WriteFile(path, b, 0o600); err != nil {
		return "", &pipeline.Error{Fault: pipeline.FaultOutput, Step: stepEncode, Path: e.path, What: "the sound can't be written", Hint: "check the space of the output folder", Err: err}
	}
	return path, nil
}

// layout adds to out what a piece of the clip's sound has of the spans: in
// begins n samples behind the sound's first, which is at start. Edges fade over
// 5 ms so that a cut doesn't click: a click would sound like a ball.
func layout(out, in []float32, n int, start float64, spans []SoundSpan) {
	const fade = soundRate / 200
	for _, s := range spans {
		at := int(math.Round(s.At * soundRate))
		from := int(math.Round((s.From-start)*soundRate)) - n
		length := int(math.Round((s.To - s.From) * soundRate))
		for i := max(0, -from, -at); i < min(length, len(in)-from, len(out)-at); i++ {
			edge := min(i, length-1-i)
			out[at+i] += in[from+i] * float32(min(1, float64(edge)/fade))
		}
	}
}

// Level is the lowest H.264 level that holds the picture: size and rate in
// macroblocks (ITU-T H.264 table A-1). Levels below 3 gain nothing and are
// not used.
func Level(w, h, fps int) (string, error) {
	mb := ((w + 15) / 16) * ((h + 15) / 16)
	for _, l := range []struct {
		name       string
		perS, size int
	}{{"3.0", 40500, 1620}, {"3.1", 108000, 3600}, {"3.2", 216000, 5120}, {"4.0", 245760, 8192}, {"4.2", 522240, 8704}, {"5.0", 589824, 22080}, {"5.1", 983040, 36864}, {"5.2", 2073600, 36864}} {
		if mb <= l.size && mb*fps <= l.perS {
			return l.name, nil
		}
	}
	return "", &pipeline.Error{Fault: pipeline.FaultInternal, Step: stepEncode, What: fmt.Sprintf("%d×%d at %d a second is beyond H.264", w, h, fps)}
}

// verify reads the written file back.
func (e *Encoder) verify() error {
	wrong := func(format string, a ...any) error {
		return &pipeline.Error{Fault: pipeline.FaultInternal, Step: stepEncode, Path: e.path, What: "the written video is wrong: " + fmt.Sprintf(format, a...)}
	}
	c, p, err := probe(e.ctx, e.path)
	if err != nil && e.ctx.Err() != nil {
		return err
	}
	if err != nil && (e.frames > 1 || p == nil) {
		return wrong("%v", err)
	}
	v := p.first("video")
	if v == nil {
		return wrong("no picture")
	}
	if e.frames > 1 && len(c.PTS) != e.frames {
		return wrong("%d frames of %d", len(c.PTS), e.frames)
	}
	if want := float64(e.frames-1) / float64(e.spec.FPS); e.frames > 1 && math.Abs(c.PTS[e.frames-1]-want) > 1e-3 {
		return wrong("the last frame at %.3f s instead of %.3f", c.PTS[e.frames-1], want)
	}
	if t := p.first("subtitle"); (t != nil) != (len(e.spec.Captions) > 0) || t != nil && t.Codec != "mov_text" {
		return wrong("its captions are not there")
	}
	if s, err := strconv.ParseFloat(v.Start, 64); err != nil || math.Abs(s) > 1e-3 {
		return wrong("the picture starts at %s s", v.Start)
	}
	if v.Width != e.spec.Width || v.Height != e.spec.Height || v.Codec != "h264" || v.PixelFormat != "yuv420p" || v.Profile != "High" {
		return wrong("%d×%d %s %s %s", v.Width, v.Height, v.Codec, v.PixelFormat, v.Profile)
	}
	if v.Space != "bt709" || v.Primaries != "bt709" || v.Transfer != "bt709" || v.Range != "tv" {
		return wrong("colours tagged %s/%s/%s %s", v.Primaries, v.Transfer, v.Space, v.Range)
	}
	tags := []map[string]string{p.Format.Tags}
	for _, s := range p.Streams {
		tags = append(tags, s.Tags)
	}
	for _, t := range tags {
		for k := range t {
			if !harmless[k] {
				return wrong("it still carries %q", k)
			}
		}
	}
	return e.verifyBoxes(wrong)
}

// harmless are the tags that ffmpeg reports for the container itself.
var harmless = map[string]bool{"major_brand": true, "minor_version": true, "compatible_brands": true, "language": true, "handler_name": true, "vendor_id": true}

// traces are the boxes and keys that tell where, when or with what it was
// filmed (QuickTime File Format, "User data atoms"; 3GPP TS 26.244 §8).
var traces = []string{"\xA9xyz", "loci", "com.apple.quicktime", "com.android", "\xA9mak", "\xA9mod", "\xA9too", "\xA9swr", "\xA9day", "\xA9nam", "chpl"}

func (e *Encoder) verifyBoxes(wrong func(string, ...any) error) error {
	f, err := os.Open(e.path)
	if err != nil {
		return wrong("%v", err)
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return wrong("%v", err)
	}
	moov := false
	for at := int64(0); at < st.Size(); {
		kind, _, length, err := box(f, at, st.Size())
		if err != nil {
			return wrong("%v", err)
		}
		switch kind {
		case "moov":
			moov = true
			b := make([]byte, length)
			if _, err := f.ReadAt(b, at); err != nil {
				return wrong("%v", err)
			}
			for _, t := range traces {
				if bytes.Contains(b, []byte(t)) {
					return wrong("it still carries %q", t)
				}
			}
		case "mdat":
			if !moov {
				return wrong("its index comes after the pictures")
			}
		case "ftyp", "free":
		default:
			return wrong("it carries a box %q", kind)
		}
		at += length
	}
	return nil
}
