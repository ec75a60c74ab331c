package clip

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"tapeline/pipeline"
)

type probed struct {
	Packets []packet
	Streams []stream
	Format  struct {
		Duration string            `json:"duration"`
		Tags     map[string]string `json:"tags"`
	}
}

// packet is one of the file, without what there are hundreds of thousands of in
// an hour: pointers and text.
type packet struct {
	pts, dts, length, size int64 // noTime where there is none
	stream                 int32
	dropped                bool // before or after the part an edit list shows; decoded, not shown
}

func (p *packet) UnmarshalJSON(b []byte) error {
	v := struct {
		Stream int32  `json:"stream_index"`
		PTS    *int64 `json:"pts"`
		DTS    *int64 `json:"dts"`
		Length int64  `json:"duration"`
		Size   int64  `json:"size,string"`
		Flags  string `json:"flags"`
	}{}
	if err := json.Unmarshal(b, &v); err != nil {
		return err
	}
	*p = packet{pts: noTime, dts: noTime, length: v.Length, size: v.Size, stream: v.Stream, dropped: strings.Contains(v.Flags, "D")}
	if v.PTS != nil {
		p.pts = *v.PTS
	}
	if v.DTS != nil {
		p.dts = *v.DTS
	}
	return nil
}

// take reads ffprobe's JSON as it comes: that of an hour is never in memory.
func (p *probed) take(r io.Reader) error {
	d := json.NewDecoder(r)
	if _, err := d.Token(); err != nil { // {
		return err
	}
	for d.More() {
		name, err := d.Token()
		if err != nil {
			return err
		}
		switch name {
		case "packets":
			if _, err = d.Token(); err != nil { // [
				return err
			}
			for err == nil && d.More() {
				p.Packets = append(p.Packets, packet{})
				err = d.Decode(&p.Packets[len(p.Packets)-1])
			}
			if err == nil {
				_, err = d.Token() // ]
			}
		case "streams":
			err = d.Decode(&p.Streams)
		case "format":
			err = d.Decode(&p.Format)
		default:
			var other json.RawMessage
			err = d.Decode(&other)
		}
		if err != nil {
			return err
		}
	}
	_, err := d.Token() // }
	return err
}

type stream struct {
	Index       int    `json:"index"`
	Type        string `json:"codec_type"`
	Codec       string `json:"codec_name"`
	Profile     string `json:"profile"`
	Level       int    `json:"level"`
	Width       int    `json:"width"`
	Height      int    `json:"height"`
	Aspect      string `json:"sample_aspect_ratio"`
	PixelFormat string `json:"pix_fmt"`
	Range       string `json:"color_range"`
	Space       string `json:"color_space"`
	Transfer    string `json:"color_transfer"`
	Primaries   string `json:"color_primaries"`
	TimeBase    string `json:"time_base"`
	Start       string `json:"start_time"`
	Fields      string `json:"field_order"`
	Disposition struct {
		Picture int `json:"attached_pic"`
	} `json:"disposition"`
	Tags     map[string]string `json:"tags"`
	SideData []struct {
		Type     string   `json:"side_data_type"`
		Rotation *float64 `json:"rotation"`
		Matrix   string   `json:"displaymatrix"`
	} `json:"side_data_list"`
}

func ffprobe(ctx context.Context, path, demuxer string) (*probed, error) {
	in, err := input(path, demuxer)
	if err != nil {
		return nil, err
	}
	args := append([]string{"-v", "error", "-of", "json=c=1", "-show_streams", "-show_format", "-show_entries",
		"packet=stream_index,pts,dts,duration,size,flags"}, in...)
	p, taken := new(probed), make(chan error, 1)
	r, w := io.Pipe()
	go func() {
		err := p.take(r)
		_, _ = io.Copy(io.Discard, r) // it may say why it has failed
		taken <- err
	}()
	err = runTo(ctx, w, stepProbe, path, "ffprobe", args...)
	w.Close()
	bad := <-taken
	if err != nil {
		return nil, err
	}
	if bad != nil {
		return nil, unreadable(stepProbe, path, hintCopy, "damaged or not playable")
	}
	return p, nil
}

// Probe looks at the file and reads what its container says. No pixel is
// decoded to a picture; that the promised frames are really there is checked
// while they are read (Source).
//
// PTS are the container's presentation times of the frames that are shown
// (edit lists applied), seconds from the first of them, ascending.
//
// Errors are *pipeline.Error: FaultUnreadable for whatever can't be a clip of
// a swing, FaultSetup without ffprobe, FaultInterrupted when ctx ends.
func Probe(ctx context.Context, path string) (pipeline.Clip, error) {
	c, _, err := probe(ctx, path)
	return c, err
}

// probe also gives what ffprobe said; nil: it failed.
func probe(ctx context.Context, path string) (pipeline.Clip, *probed, error) {
	demuxer, err := look(path)
	if err != nil {
		return pipeline.Clip{}, nil, err
	}
	limited, cancel := context.WithTimeout(ctx, 5*time.Minute)
	defer cancel()
	p, err := ffprobe(limited, path, demuxer)
	if err != nil {
		if limited.Err() != nil && ctx.Err() == nil {
			return pipeline.Clip{}, nil, unreadable(stepProbe, path, hintCopy, "reading its index took too long")
		}
		return pipeline.Clip{}, nil, err
	}
	v := p.first("video")
	if v == nil {
		return pipeline.Clip{}, p, unreadable(stepProbe, path, hintFilm, "there is no picture in it, only sound or data")
	}
	if v.Width <= 0 || v.Height <= 0 {
		return pipeline.Clip{}, p, unreadable(stepProbe, path, hintCopy, "it doesn't say how big the picture is")
	}
	if err := checkSize(path, v.Width, v.Height); err != nil {
		return pipeline.Clip{}, p, err
	}
	c := pipeline.Clip{
		Name: filepath.Base(path), Path: path,
		Width: v.Width, Height: v.Height,
		Codec: v.Codec, PixelFormat: v.PixelFormat, Limited: v.Range != "pc",
		Matrix: matrixOf(v), Transfer: transferOf(v),
	}
	for _, sd := range v.SideData {
		if sd.Rotation != nil {
			if mirrored(sd.Matrix) {
				return pipeline.Clip{}, p, unreadable(stepProbe, path, "switch mirroring off, or export it anew", "its picture is marked as mirrored: left and right can't be trusted")
			}
			// ffprobe counts counter-clockwise.
			c.Rotation = ((-int(math.Round(*sd.Rotation/90))*90)%360 + 360) % 360
			if off := math.Abs(*sd.Rotation/90 - math.Round(*sd.Rotation/90)); off > 0.01 {
				c.Warnings = append(c.Warnings, pipeline.Warning{Code: "odd_rotation", Detail: strconv.FormatFloat(*sd.Rotation, 'f', 1, 64)})
			}
		}
	}
	if c.Rotation%180 != 0 {
		c.Width, c.Height = c.Height, c.Width
	}
	if a, err := quotient(strings.Replace(v.Aspect, ":", "/", 1)); err == nil && math.Abs(a-1) > 0.01 {
		c.Warnings = append(c.Warnings, pipeline.Warning{Code: "non_square_pixels", Detail: v.Aspect})
	}
	if v.Fields != "" && v.Fields != "progressive" && v.Fields != "unknown" {
		c.Warnings = append(c.Warnings, pipeline.Warning{Code: "interlaced", Detail: v.Fields})
	}
	first, err := setTimes(&c, p, v)
	if err != nil {
		return pipeline.Clip{}, p, err
	}
	setRate(&c, p, v)
	if b := p.bits(v); b > 0 && b < fewBits[v.Codec] {
		c.Warnings = append(c.Warnings, pipeline.Warning{Code: "compressed", Detail: strconv.FormatFloat(b, 'g', 2, 64) + " bit/px"})
	}
	if a := p.first("audio"); a != nil {
		if start, err := strconv.ParseFloat(a.Start, 64); err == nil {
			c.HasAudio, c.AudioStart = true, nano(start-first)
		}
	}
	if c.ID, err = hash(path); err != nil {
		return pipeline.Clip{}, p, &pipeline.Error{Fault: pipeline.FaultUnreadable, Step: stepProbe, Path: path, What: "can't be read", Hint: hintCopy, Err: err}
	}
	return c, p, nil
}

// fewBits a pixel and picture: below, parts of a picture stand still that move.
// A rendered clip is read well with .018 bits of H.264 and 5 cm wrong with .004
// (samples/docs/SWEEPS.md). Newer codecs need about half (common practice, no
// source). Codecs that are not named are not judged.
var fewBits = map[string]float64{"h264": .01, "hevc": .005, "vp9": .005, "av1": .005}

// bits of a pixel of a picture on average; 0 when not known.
func (p *probed) bits(v *stream) float64 {
	size, n := int64(0), 0
	for _, k := range p.Packets {
		if int(k.stream) == v.Index {
			size, n = size+k.size, n+1
		}
	}
	if n == 0 {
		return 0
	}
	return 8 * float64(size) / float64(n) / float64(v.Width) / float64(v.Height)
}

// mirrored tells from ffprobe's print of a display matrix, three rows of an
// offset and three numbers, whether it flips the picture.
func mirrored(matrix string) bool {
	n := strings.Fields(matrix)
	if len(n) != 12 {
		return false
	}
	var v [4]float64
	for i, at := range []int{1, 2, 5, 6} {
		f, err := strconv.ParseFloat(n[at], 64)
		if err != nil {
			return false
		}
		v[i] = f
	}
	return v[0]*v[3]-v[1]*v[2] < 0
}

// first stream of that type that plays, nil if there is none.
func (p *probed) first(kind string) *stream {
	for i := range p.Streams {
		if s := &p.Streams[i]; s.Type == kind && s.Disposition.Picture == 0 {
			return s
		}
	}
	return nil
}

// setTimes fills PTS and Duration from the packets and returns the first
// frame's time on the container's clock.
func setTimes(c *pipeline.Clip, p *probed, v *stream) (float64, error) {
	var pts, dts []int64
	var lengths []int64
	for _, k := range p.Packets {
		if int(k.stream) != v.Index || k.dropped {
			continue
		}
		if k.pts != noTime {
			pts, lengths = append(pts, k.pts), append(lengths, k.length)
		}
		if k.dts != noTime {
			dts = append(dts, k.dts)
		}
	}
	if len(pts) == 0 && len(dts) > 0 {
		pts, lengths = dts, make([]int64, len(dts)) // AVI keeps no presentation times
	}
	if len(pts) < 2 {
		return 0, unreadable(stepProbe, c.Path, hintFilm, "%d picture in it, not a movement", len(pts))
	}
	base, err := quotient(v.TimeBase)
	if err != nil {
		return 0, unreadable(stepProbe, c.Path, hintCopy, "its pictures carry no usable times")
	}
	last, length := pts[0], lengths[0]
	for i, t := range pts {
		if t >= last {
			last, length = t, lengths[i]
		}
	}
	slices.Sort(pts)
	first := pts[0]
	for i := range pts {
		if i > 0 && pts[i] <= pts[i-1] {
			return 0, unreadable(stepProbe, c.Path, hintCopy, "its pictures carry no usable times")
		}
		c.PTS = append(c.PTS, nano(float64(pts[i]-first)*base))
	}
	span := c.PTS[len(pts)-1]
	rate := float64(len(pts)-1) / span
	if span > MaxDuration {
		return 0, unreadable(stepProbe, c.Path, "cut it to the swings", "it is %.1f hours long, at most %d are read", span/3600, MaxDuration/3600)
	}
	if rate < MinRate || rate > MaxRate {
		return 0, unreadable(stepProbe, c.Path, "film at 60 frames a second or more", "its frame rate of %.4g a second can't be read, only %d to %d", rate, MinRate, MaxRate)
	}
	shown := float64(length) * base
	if shown <= 0 || shown > 1 {
		shown = 1 / rate
	}
	c.Duration = nano(span + shown)
	return float64(first) * base, nil
}

// nano rounds seconds to nanoseconds: finer than any time base, and the same
// digits on every processor.
func nano(s float64) float64 { return math.Round(s*1e9) / 1e9 }

// quotient reads ffprobe's "1/15360".
func quotient(s string) (float64, error) {
	a, b, _ := strings.Cut(s, "/")
	n, err := strconv.ParseFloat(a, 64)
	if err != nil {
		return 0, err
	}
	d, err := strconv.ParseFloat(b, 64)
	if err != nil {
		return 0, err
	}
	if !(n > 0 && d > 0) {
		return 0, strconv.ErrRange
	}
	return n / d, nil
}

// captureTags say how fast the camera really ran when the clip was stretched
// for slow motion.
var captureTags = []string{"com.android.capture.fps"}

func setRate(c *pipeline.Clip, p *probed, v *stream) {
	c.CaptureRate, c.TimeFactor = shownRate(c), 1
	for _, tag := range captureTags {
		for _, tags := range []map[string]string{p.Format.Tags, v.Tags} {
			f, err := strconv.ParseFloat(tags[tag], 64)
			if err == nil {
				if slow, ok := Captured(*c, f); ok {
					*c = slow
				}
			}
		}
	}
}

// shownRate is the clip's frames a second of presentation time, to a
// millionth: below it is only rounding.
func shownRate(c *pipeline.Clip) float64 {
	n := len(c.PTS) - 1
	return math.Round(float64(n)/(c.PTS[n]-c.PTS[0])*1e6) / 1e6
}

// Captured is the clip as filmed at so many frames a second and stretched to
// what it plays at. It is false where that is no slow motion: under a fifth
// faster than it plays, or faster than MaxRate.
func Captured(c pipeline.Clip, rate float64) (pipeline.Clip, bool) {
	shown := shownRate(&c)
	// Phones note the nominal rate (240) and play at the real one (29.97): a
	// whole factor is meant.
	factor := rate / shown
	if r := math.Round(factor); r > 0 && math.Abs(factor-r) < 0.03*r {
		factor = r
	}
	if !(factor > 1.2) || rate > MaxRate {
		return c, false
	}
	c.TimeFactor, c.CaptureRate = factor, shown*factor
	return c, true
}

// matrixOf is the matrix the pixels were made with. An untagged clip follows
// the convention of broadcasting: high definition is BT.709 (common practice,
// no source).
func matrixOf(s *stream) string {
	switch s.Space {
	case "bt709":
		return "bt709"
	case "bt2020nc", "bt2020c":
		return "bt2020"
	case "smpte170m", "bt470bg", "fcc":
		return "bt601"
	case "gbr":
		return "rgb"
	}
	if min(s.Width, s.Height) >= 720 {
		return "bt709"
	}
	return "bt601"
}

func transferOf(s *stream) string {
	switch s.Transfer {
	case "arib-std-b67":
		return "hlg"
	case "smpte2084":
		return "pq"
	}
	return "sdr"
}

func hash(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}
