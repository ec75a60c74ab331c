// Package sheet lays the stills of one swing on a contact sheet.
//
//  1. one crop of the ground, the same for every still, so that the tape runs
//     at one height through all of them and sizes compare
//  2. each still gets its marks, its phase and its time from contact
//  3. the hands at contact, enlarged, without marks
//  4. the main measures with their bounds, and the advice
package sheet

import (
	"cmp"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"
	"slices"
	"strings"

	"github.com/disintegration/imaging"
	"golang.org/x/image/font"
	"golang.org/x/image/math/fixed"

	"tapeline/overlay"
	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// Still is the picture at one event. Scale is full-size pixels of the clip a
// pixel of Frame (0 counts as 1); Drawn belongs to the same decoded frame.
// Where Frame is but a part of the picture it begins at Origin, in its own
// pixels, and holds what Part says.
type Still struct {
	Event  pipeline.EventKind
	Frame  *image.RGBA
	Origin image.Point
	Scale  float64
	Drawn  pipeline.Drawn
}

// Part is what of the picture can be seen of the stills on a sheet, on tiles
// and as enlarged hands, full-size pixels; it may reach beyond the picture.
// The stills need no Frame.
func Part(rep *pipeline.Report, stills []Still) (part image.Rectangle) {
	sw := rep.Chosen()
	if sw == nil || len(stills) == 0 {
		return part
	}
	add := func(s Still, r [4]float64, w, h float64) {
		c, scale := centre(s, r, w, h)
		part = part.Union(image.Rect(int(math.Floor(c.X-w/scale/2))-1, int(math.Floor(c.Y-h/scale/2))-1, int(math.Ceil(c.X+w/scale/2))+1, int(math.Ceil(c.Y+h/scale/2))+1))
	}
	crop := cropOf(stills, sw.Geometry)
	for _, s := range stills {
		add(s, crop, 1, tallness(crop)*(1+1./leastTile))
		add(s, crop, 1, tallness(crop)*(1-1./leastTile)) // tiles are of whole pixels
	}
	if s := atContact(stills); s != nil {
		add(*s, around(*s, sw.Geometry, mostWide, 1), mostWide, 1)
	}
	return part
}

// Tiles are at least leastTile pixels wide, the hands at most mostWide times as
// wide as high.
const (
	leastTile = 200
	mostWide  = 4
)

// Sizes in pixels. At a phone's 390 px the sheet shrinks to 0.36: text of
// 32 px is read as 11.5.
const (
	width   = 1080
	margin  = 24
	gutter  = 14
	columns = 3
	text    = 33.0
	heading = 46.0
	row     = 46
)

// Main measures in the order of the table: key, from, at.
var table = []struct {
	key      string
	from, at pipeline.EventKind
}{
	{"eye_drop", pipeline.Stance, pipeline.Contact},
	{"head_drop", pipeline.Stance, pipeline.Contact},
	{"eye_forward", pipeline.Stance, pipeline.Contact},
	{"front_foot_open", "", pipeline.Plant},
	{"front_foot_open", "", pipeline.Contact},
	{"head_over_back", "", pipeline.Contact},
	{"back_foot_turn", "", pipeline.Finish},
	{"head_after", "", ""},
	{"finish_hold", "", ""},
	{"hands_start", "", pipeline.Stance},
	{"stride_length", "", ""},
}

// ErrNoStills is returned when there is nothing to lay out.
var ErrNoStills = errors.New("sheet: no stills")

// Head says whose swing of which day it is: a first name and an ISO day,
// 2026-05-03; what is empty is left out.
type Head struct {
	FirstName, Date string
	// Leaves: it goes to a family, which isn't asked what only the coach can say.
	Leaves bool
}

// line is the head as it is written.
func (h Head) line(lang words.Lang) string {
	var parts []string
	if h.FirstName != "" {
		parts = append(parts, h.FirstName)
	}
	if h.Date != "" {
		parts = append(parts, lang.Date(h.Date))
	}
	return strings.Join(parts, ", ")
}

// Make lays out the chosen swing of the report. Stills come in any order; they
// are shown in the order of time. The sheet is 1080 px wide.
func Make(rep *pipeline.Report, stills []Still, lang words.Lang, who Head) (*image.RGBA, error) {
	sw := rep.Chosen()
	if sw == nil {
		return nil, overlay.ErrNoSwing
	}
	stills = ordered(sw, stills)
	if len(stills) == 0 {
		return nil, ErrNoStills
	}
	for _, s := range stills {
		if s.Frame == nil || s.Frame.Bounds().Empty() {
			return nil, fmt.Errorf("sheet: the still of %s has no picture", s.Event)
		}
	}
	look := overlay.NewLook(rep, sw, lang)
	crop := cropOf(stills, sw.Geometry)
	cell := (width - 2*margin - (columns-1)*gutter) / columns
	tileH := tall(cell, crop)
	captions := 2*row - 4

	hands := atContact(stills)
	cells := len(stills)
	span := 0
	if hands != nil {
		if span = columns - cells%columns; span == 0 {
			span = columns
		}
		cells += span
	}
	rows := (cells + columns - 1) / columns
	head := int(heading*1.5) + row + gutter
	lines := measures(rep, sw, lang)
	advice := overlay.Advice(rep, sw, lang).Lines
	height := margin + head + rows*(tileH+captions+gutter) + gutter + len(lines)*row + gutter + len(advice)*row + margin

	p := &page{img: image.NewRGBA(image.Rect(0, 0, width, height)), faces: overlay.NewFaces()}
	draw.Draw(p.img, p.img.Bounds(), image.NewUniform(overlay.Board), image.Point{}, draw.Src)
	y := margin
	p.write(lang.Cards["sheet"], margin, y+int(heading), heading, true, overlay.Chalk)
	if s := who.line(lang); s != "" {
		room := width - 2*margin - gutter - p.faces.Width(lang.Cards["sheet"], heading, true)
		size := math.Floor(4*text*min(1, room/p.faces.Width(s, text, true))) / 4
		p.write(s, width-margin-int(math.Ceil(p.faces.Width(s, size, true))), y+int(heading), size, true, overlay.Paper)
	}
	about := lang.Views[rep.Batter.View] + ", " + lang.Cards["contact_clock"]
	if sw.Geometry.Unit == "pct_height" {
		about += ", " + lang.Cards["percent"]
	}
	p.write(about, margin, y+int(heading*1.5)+row-12, text, false, overlay.Quiet)
	y += head

	for i, s := range stills {
		x := margin + (i%columns)*(cell+gutter)
		ty := y + (i/columns)*(tileH+captions+gutter)
		tile := marked(look, sw, s, crop, cell, tileH, text*0.8, p.faces)
		draw.Draw(p.img, image.Rect(x, ty, x+cell, ty+tileH), tile, image.Point{}, draw.Src)
		p.fit(lang.Events[s.Event]+"  "+look.Clock(when(sw, s)), x, ty+tileH+row-12, cell, true, overlay.Chalk)
		p.fit(eyes(sw, s, lang), x, ty+tileH+2*row-18, cell, false, overlay.Quiet)
	}
	if hands != nil {
		i := len(stills)
		x := margin + (i%columns)*(cell+gutter)
		ty := y + (i/columns)*(tileH+captions+gutter)
		w := span*cell + (span-1)*gutter
		tile := zoom(*hands, sw.Geometry, w, tileH)
		draw.Draw(p.img, image.Rect(x, ty, x+w, ty+tileH), tile, image.Point{}, draw.Src)
		p.fit(lang.Cards["hands"], x, ty+tileH+row-12, w, true, overlay.Chalk)
		ask := lang.Cards["hands_eye"]
		if p.faces.Width(ask, text, false) > float64(w) {
			ask = lang.Cards["hands_eye_short"]
		}
		if !who.Leaves {
			p.fit(ask, x, ty+tileH+2*row-18, w, false, overlay.Quiet)
		}
	}
	y += rows*(tileH+captions+gutter) + gutter
	for i, l := range lines {
		if i%2 == 0 {
			draw.Draw(p.img, image.Rect(margin-8, y, width-margin+8, y+row), image.NewUniform(color.RGBA{0x2c, 0x28, 0x23, 0xff}), image.Point{}, draw.Src)
		}
		// A long name and a long value share the line, both smaller.
		size := text * min(1, (width-2*margin-gutter)/(p.faces.Width(l[0], text, false)+p.faces.Width(l[1], text, true)))
		p.write(l[0], margin, y+row-13, size, false, overlay.Chalk)
		p.write(l[1], width-margin-int(p.faces.Width(l[1], size, true)), y+row-13, size, true, overlay.Chalk)
		y += row
	}
	y += gutter
	x := margin
	for _, l := range advice {
		if l.Tape {
			p.write(l.Text, margin, y+row-12, text, true, overlay.Paper)
			x = margin + int(p.faces.Width(l.Text+" ", text, true))
			continue
		}
		p.fit(l.Text, x, y+row-12, width-margin-x, false, overlay.Chalk)
		x, y = margin, y+row
	}
	return p.img.SubImage(image.Rect(0, 0, width, y+margin)).(*image.RGBA), nil
}

// ordered by time; stills of the same instant in the order of the phases.
func ordered(sw *pipeline.Swing, in []Still) []Still {
	out := slices.Clone(in)
	slices.SortStableFunc(out, func(a, b Still) int {
		return cmp.Or(cmp.Compare(when(sw, a), when(sw, b)), cmp.Compare(slices.Index(pipeline.EventKinds, a.Event), slices.Index(pipeline.EventKinds, b.Event)))
	})
	return out
}

// when is the instant of a still's event, as the film says it; the frame shown
// lies up to half a frame away.
func when(sw *pipeline.Swing, s Still) float64 {
	if e := sw.Event(s.Event); e != nil && e.T != nil {
		return *e.T
	}
	return s.Drawn.T
}

// cropOf is the part of the key frame that holds the batter at every event,
// with room for the bat: x0, y0, x1, y1.
func cropOf(stills []Still, g pipeline.Geometry) [4]float64 {
	b := [4]float64{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
	for _, s := range stills {
		if d := s.Drawn; d.Seen {
			b = [4]float64{math.Min(b[0], d.Box[0]), math.Min(b[1], d.Box[1]), math.Max(b[2], d.Box[2]), math.Max(b[3], d.Box[3])}
		}
	}
	h := g.GroundY - g.EyeLevel.Y
	if math.IsInf(b[0], 0) {
		b = [4]float64{g.EyeLevel.X - h/2, g.EyeLevel.Y, g.EyeLevel.X + h/2, g.GroundY}
	}
	return [4]float64{b[0] - h*0.22, b[1] - h*0.22, b[2] + h*0.22, b[3] + h*0.12}
}

// cut takes a key frame rectangle out of a still and brings it to w × h. What
// lies beyond the picture stays dark. scale is canvas pixels a full-size
// pixel, offset where the frame's origin comes to lie.
func cut(s Still, r [4]float64, w, h int) (img *image.RGBA, scale float64, offset pipeline.Point) {
	k := s.Scale
	if k <= 0 {
		k = 1
	}
	c, scale := centre(s, r, float64(w), float64(h))
	// Whole source pixels are cut; the part of one left over goes into offset.
	fw, fh := float64(w)/scale, float64(h)/scale
	x0, y0 := math.Floor((c.X-fw/2)/k), math.Floor((c.Y-fh/2)/k)
	nx, ny := int(math.Round(fw/k)), int(math.Round(fh/k))
	src := image.Rect(int(x0), int(y0), int(x0)+nx, int(y0)+ny).Sub(s.Origin)
	part := imaging.Paste(imaging.New(nx, ny, overlay.Board), imaging.Crop(s.Frame, src.Add(s.Frame.Bounds().Min)), image.Pt(max(0, -src.Min.X), max(0, -src.Min.Y)))
	big := imaging.Resize(part, w, h, imaging.CatmullRom)
	img = image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(img, img.Bounds(), big, image.Point{}, draw.Src)
	scale = float64(w) / (float64(nx) * k)
	return img, scale, pipeline.Point{X: -x0 * k * scale, Y: -y0 * k * scale}
}

// centre is where the middle of a key frame rectangle lies in a still, and how
// large it becomes: pixels of w × h a full-size pixel.
func centre(s Still, r [4]float64, w, h float64) (c pipeline.Point, scale float64) {
	cam := s.Drawn.Camera
	if cam.A == 0 && cam.B == 0 {
		cam = pipeline.Identity()
	}
	grow := math.Hypot(cam.A, cam.B) // key pixels a frame pixel
	return cam.Invert(pipeline.Point{X: (r[0] + r[2]) / 2, Y: (r[1] + r[3]) / 2}), math.Min(w/(r[2]-r[0]), h/(r[3]-r[1])) * grow
}

type page struct {
	img   *image.RGBA
	faces *overlay.Faces
}

func (p *page) write(s string, x, y int, size float64, bold bool, col color.Color) {
	d := font.Drawer{Dst: p.img, Src: image.NewUniform(col), Face: p.faces.Face(size, bold), Dot: fixed.P(x, y)}
	d.DrawString(s)
}

// fit writes a line no wider than room, in smaller text if it must be.
func (p *page) fit(s string, x, y, room int, bold bool, col color.Color) {
	size := math.Floor(4*text*min(1, float64(room)/max(1, p.faces.Width(s, text, bold)))) / 4 // faces come in quarter pixels
	p.write(s, x, y, size, bold, col)
}

// Tile is one picture of a sheet on its own.
type Tile struct {
	Event   pipeline.EventKind
	Clock   string // time from contact, "−0.17 s"; empty when contact is not known
	Caption string // where the eyes are
	Image   *image.RGBA
}

// Tiles are the stills of those events that there are, with their marks, in
// the order of time, w pixels wide and at one scale.
func Tiles(rep *pipeline.Report, stills []Still, lang words.Lang, w int, events ...pipeline.EventKind) ([]Tile, error) {
	sw := rep.Chosen()
	if sw == nil {
		return nil, overlay.ErrNoSwing
	}
	stills = slices.DeleteFunc(ordered(sw, stills), func(s Still) bool {
		return !slices.Contains(events, s.Event) || s.Frame == nil || s.Frame.Bounds().Empty()
	})
	look, crop, faces := overlay.NewLook(rep, sw, lang), cropOf(stills, sw.Geometry), overlay.NewFaces()
	var out []Tile
	for _, s := range stills {
		img := marked(look, sw, s, crop, w, tall(w, crop), float64(w)*0.055, faces)
		out = append(out, Tile{s.Event, look.Clock(when(sw, s)), eyes(sw, s, lang), img})
	}
	return out, nil
}

// Hands is the hands at contact, enlarged, nothing drawn on them; nil when
// there is no such still.
func Hands(rep *pipeline.Report, stills []Still, w, h int) *image.RGBA {
	s, sw := atContact(stills), rep.Chosen()
	if s == nil || sw == nil || s.Frame == nil || s.Frame.Bounds().Empty() {
		return nil
	}
	return zoom(*s, sw.Geometry, w, h)
}

func atContact(stills []Still) (out *Still) {
	for i := range stills {
		if stills[i].Event == pipeline.Contact && stills[i].Drawn.Seen {
			out = &stills[i]
		}
	}
	return out
}

// tall is the height of a tile w wide.
func tall(w int, crop [4]float64) int {
	return int(float64(w) * tallness(crop))
}

func tallness(crop [4]float64) float64 {
	return clamp((crop[3]-crop[1])/(crop[2]-crop[0]), 0.8, 1.7)
}

// marked is one still with its marks; values stand in the caption under it.
func marked(look *overlay.Look, sw *pipeline.Swing, s Still, crop [4]float64, w, h int, em float64, faces *overlay.Faces) *image.RGBA {
	img, scale, offset := cut(s, crop, w, h)
	d := s.Drawn
	if !d.Seen {
		return img
	}
	c := overlay.NewCanvas(img, img.Bounds(), d.Camera, scale, offset, em, faces)
	scene := overlay.Scene{At: d.T}
	// No bat moves on a still: the strip need not thin out where it might.
	onStill := func(t overlay.Tape) overlay.Tape {
		t.Reach, t.Alpha = overlay.Span{}, 0.65
		t.Body = head(d, sw.Geometry)
		return t
	}
	scene.Marks = append(scene.Marks, onStill(look.Tape(&d)))
	if lower := look.Lower(&d); lower != nil && s.Event == pipeline.Stance {
		lower.Tape = onStill(lower.Tape)
		scene.Marks = append(scene.Marks, *lower)
	}
	if s.Event != pipeline.Stance {
		if s.Event == pipeline.Contact {
			if m := look.Plumb(&d, s.Event, false); m != nil {
				scene.Marks = append(scene.Marks, *m)
			}
		}
		if stands(sw, s) {
			if f := look.Foot(&d, s.Event, false); f != nil {
				scene.Marks = append(scene.Marks, *f)
			}
		}
		e := look.EyeLine(&d, s.Event, false)
		// The dimension line stands inside the tile, on the same side as ever.
		in := (crop[2] - crop[0]) * 0.09
		e.Dim = clamp(e.Dim, crop[0]+in, crop[2]-in)
		scene.Marks = append(scene.Marks, e)
	}
	scene.Paint(c)
	return img
}

// head is the room the head takes: nothing lies on the face.
func head(d pipeline.Drawn, g pipeline.Geometry) overlay.Span {
	room := (g.GroundY - g.EyeLevel.Y) * 0.1
	return overlay.Span{Lo: math.Min(d.Eyes.X, d.Head.X) - room, Hi: math.Max(d.Eyes.X, d.Head.X) + room}
}

func stands(sw *pipeline.Swing, s Still) bool {
	if s.Event == pipeline.Plant {
		return true
	}
	e := sw.Event(pipeline.Plant)
	return e != nil && e.T != nil && s.Drawn.T >= *e.T-1e-6
}

// zoom is the hands, enlarged, nothing drawn on them.
func zoom(s Still, g pipeline.Geometry, w, h int) *image.RGBA {
	img, _, _ := cut(s, around(s, g, float64(w), float64(h)), w, h)
	return img
}

// around is the hands in the key frame, as wide to high as w to h.
func around(s Still, g pipeline.Geometry, w, h float64) [4]float64 {
	half := (g.GroundY - g.EyeLevel.Y) * 0.17
	wide := half * w / h
	p := s.Drawn.Hands
	return [4]float64{p.X - wide, p.Y - half, p.X + wide, p.Y + half}
}

// eyes says how far the eyes are from the tape on a still.
func eyes(sw *pipeline.Swing, s Still, lang words.Lang) string {
	d := s.Drawn
	if s.Event == pipeline.Stance {
		if m := sw.Lower(); m != nil {
			return lang.Lower(m)
		}
		return lang.Cards["eyes_start"]
	}
	if !d.Seen {
		return lang.Cards["cant_tell"]
	}
	if m := sw.Measure("eye_drop", pipeline.Stance, s.Event); m != nil {
		return lang.EyesShort(m)
	}
	lo, hi := d.Drop-d.DropDoubt, d.Drop+d.DropDoubt
	return lang.EyesShort(&pipeline.Measure{Unit: sw.Geometry.Unit, Value: &d.Drop, Lo: &lo, Hi: &hi})
}

// measures are the lines of the table that the swing has: name, value.
func measures(rep *pipeline.Report, sw *pipeline.Swing, lang words.Lang) (out [][2]string) {
	for _, t := range table {
		for i := range sw.Measures {
			m := &sw.Measures[i]
			if m.Key != t.key || t.at != "" && (m.At != t.at || m.From != t.from) {
				continue
			}
			name := lang.MeasureName(m)
			if t.at == "" {
				name = lang.Measures[m.Key].Name
			}
			out = append(out, [2]string{name, value(m, rep.Band(m), lang)})
			break
		}
	}
	return out
}

// value is the measure's value, or that it can't be told and what would help.
func value(m *pipeline.Measure, b *pipeline.Band, lang words.Lang) string {
	s := lang.Against(m, b)
	if m.Value != nil || m.Lo != nil && m.Hi != nil {
		return s
	}
	for _, code := range m.Warnings {
		if help, ok := lang.Help[code]; ok {
			return s + ": " + help
		}
	}
	return s
}

func clamp(v, lo, hi float64) float64 { return math.Min(math.Max(v, lo), hi) }
