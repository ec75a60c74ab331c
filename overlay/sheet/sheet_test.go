package sheet

import (
	"bytes"
	"errors"
	"image"
	"image/color"
	"image/draw"
	"math"
	"slices"
	"strings"
	"testing"

	"tapeline/overlay"
	"tapeline/overlay/internal/rendered"
	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// dotted is a still at an event: grey, with a red dot on the eyes.
func dotted(rep *pipeline.Report, clip pipeline.Clip, k pipeline.EventKind, scale float64) Still {
	sw := rep.Chosen()
	d := sw.Path[*sw.Event(k).Frame]
	w, h := int(float64(clip.Width)/scale), int(float64(clip.Height)/scale)
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	e := d.Camera.Invert(d.Eyes)
	for y := 0; y < h; y++ {
		for x := 0; x < w; x++ {
			c := color.RGBA{110, 110, 110, 255}
			if math.Hypot(float64(x)+0.5-e.X/scale, float64(y)+0.5-e.Y/scale) < 4/scale {
				c = color.RGBA{255, 0, 0, 255}
			}
			img.SetRGBA(x, y, c)
		}
	}
	return Still{Event: k, Frame: img, Scale: scale, Drawn: d}
}

func report(t testing.TB, name string) (*pipeline.Report, pipeline.Clip) {
	t.Helper()
	tr, err := rendered.Load("../../samples/" + name + ".truth.json")
	if err != nil {
		t.Fatal(err)
	}
	return tr.Report(8)
}

func redDot(img image.Image) (x, y float64, n int) {
	b := img.Bounds()
	for j := b.Min.Y; j < b.Max.Y; j++ {
		for i := b.Min.X; i < b.Max.X; i++ {
			if r, g, _, _ := img.At(i, j).RGBA(); r>>8 > 200 && g>>8 < 60 {
				x, y, n = x+float64(i)+0.5, y+float64(j)+0.5, n+1
			}
		}
	}
	return x / float64(n), y / float64(n), n
}

// One crop and one scale for all stills: what was nailed to the ground lies
// at the same place in every tile, whatever the camera did and at whatever
// size the frame was decoded.
func TestTilesShareOneCrop(t *testing.T) {
	rep, clip := report(t, "open_faults")
	sw := rep.Chosen()
	for i := range sw.Path { // a camera that wanders and turns
		a := 0.0004 * float64(i)
		sw.Path[i].Camera = pipeline.Camera{A: math.Cos(a), B: math.Sin(a), TX: float64(i) * 0.3, TY: -float64(i) * 0.2, OK: true}
	}
	var stills []Still
	for _, k := range []pipeline.EventKind{pipeline.Stance, pipeline.Plant, pipeline.Contact, pipeline.Finish} {
		stills = append(stills, dotted(rep, clip, k, map[bool]float64{true: 2, false: 1}[k == pipeline.Plant]))
	}
	crop := cropOf(stills, sw.Geometry)
	const w, h = 340, 420
	for _, s := range stills {
		img, scale, off := cut(s, crop, w, h)
		x, y, n := redDot(img)
		if n == 0 {
			t.Fatalf("%s: the eyes are not in the tile", s.Event)
		}
		e := s.Drawn.Camera.Invert(s.Drawn.Eyes)
		// Where marks will think the eyes are, and where they are.
		if mx, my := e.X*scale+off.X, e.Y*scale+off.Y; math.Hypot(mx-x, my-y) > 1.5 {
			t.Errorf("%s: eyes at %.1f, %.1f, marks would be at %.1f, %.1f", s.Event, x, y, mx, my)
		}
		k := math.Min(w/(crop[2]-crop[0]), h/(crop[3]-crop[1]))
		cx, cy := (crop[0]+crop[2])/2, (crop[1]+crop[3])/2
		// The crop is not turned with the camera: half a tile at 2° is 6 px.
		if wx, wy := w/2+(s.Drawn.Eyes.X-cx)*k, h/2+(s.Drawn.Eyes.Y-cy)*k; math.Hypot(wx-x, wy-y) > 8 {
			t.Errorf("%s: eyes at %.1f, %.1f of the tile, want %.1f, %.1f", s.Event, x, y, wx, wy)
		}
	}
}

func TestMake(t *testing.T) {
	for _, name := range []string{"open_faults", "front_left"} {
		rep, clip := report(t, name)
		var stills []Still
		for i := len(rep.Chosen().Events) - 1; i >= 0; i-- { // any order
			stills = append(stills, dotted(rep, clip, rep.Chosen().Events[i].Kind, 1))
		}
		img, err := Make(rep, stills, words.English(), Head{})
		if err != nil {
			t.Fatal(err)
		}
		b := img.Bounds()
		if b.Dx() != 1080 || b.Dy() <= 1080 || b.Dy() > 3200 {
			t.Errorf("%s: sheet of %v", name, b)
		}
		// Six stills and the enlarged hands: six dots, and text of at least
		// 11 px on a phone 390 px wide.
		if text*390/width < 11 {
			t.Errorf("text is %.1f px on a phone", text*390/width)
		}
		_, _, n := redDot(img)
		if n < 6*20 {
			t.Errorf("%s: %d red pixels, want the dots of six tiles", name, n)
		}
	}
}

// What Part says is all that is looked at: sheet, tiles and hands are the same
// of that part as of whole pictures, wherever the batter stands.
func TestPartIsEnough(t *testing.T) {
	for _, name := range []string{"open_faults", "front_left"} {
		for scale, shift := range map[float64]pipeline.Point{1: {X: -150, Y: -100}, 1.5: {X: 200, Y: 120}} {
			rep, clip := report(t, name)
			sw := rep.Chosen()
			for i := range sw.Path {
				a := 0.0004 * float64(i)
				sw.Path[i].Camera = pipeline.Camera{A: math.Cos(a), B: math.Sin(a), TX: float64(i)*0.3 + shift.X, TY: -float64(i)*0.2 + shift.Y, OK: true}
			}
			var whole, part []Still
			for _, e := range sw.Events {
				s := dotted(rep, clip, e.Kind, scale)
				for i := range s.Frame.Pix { // no pixel like its neighbour
					s.Frame.Pix[i] ^= byte(i*7919>>5) & 0x7f
				}
				whole = append(whole, s)
			}
			r := Part(rep, whole)
			room := image.Rect(int(float64(r.Min.X)/scale)-1, int(float64(r.Min.Y)/scale)-1, int(float64(r.Max.X)/scale)+1, int(float64(r.Max.Y)/scale)+1)
			for _, s := range whole {
				in := room.Intersect(s.Frame.Rect)
				if in.Empty() {
					t.Fatalf("%s moved %v: nothing is seen in %v", name, shift, room)
				}
				s.Origin = in.Min
				cut := image.NewRGBA(image.Rect(0, 0, in.Dx(), in.Dy()))
				draw.Draw(cut, cut.Rect, s.Frame, in.Min, draw.Src)
				s.Frame = cut
				part = append(part, s)
			}
			same := func(what string, a, b *image.RGBA) {
				if a.Rect != b.Rect || !bytes.Equal(a.Pix, b.Pix) {
					t.Errorf("%s moved %v at scale %g: %s differs", name, shift, scale, what)
				}
			}
			var sheets [2]*image.RGBA
			for i, stills := range [][]Still{whole, part} {
				var err error
				if sheets[i], err = Make(rep, stills, words.English(), Head{}); err != nil {
					t.Fatal(err)
				}
			}
			same("sheet", sheets[0], sheets[1])
			same("hands", Hands(rep, whole, 420, 300), Hands(rep, part, 420, 300))
			of, err := Tiles(rep, whole, words.English(), 420, pipeline.EventKinds...)
			if err != nil {
				t.Fatal(err)
			}
			to, err := Tiles(rep, part, words.English(), 420, pipeline.EventKinds...)
			if err != nil {
				t.Fatal(err)
			}
			for i := range of {
				same(string(of[i].Event), of[i].Image, to[i].Image)
			}
		}
	}
}

func BenchmarkMake(b *testing.B) {
	rep, clip := report(b, "open_faults")
	var stills []Still
	for i := range rep.Chosen().Events {
		stills = append(stills, dotted(rep, clip, rep.Chosen().Events[i].Kind, 1))
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Make(rep, stills, words.English(), Head{}); err != nil {
			b.Fatal(err)
		}
	}
}

// The hands' tile has nothing drawn on it.
func TestHandsAreBare(t *testing.T) {
	rep, clip := report(t, "open_faults")
	s := dotted(rep, clip, pipeline.Contact, 1)
	img := zoom(s, rep.Chosen().Geometry, 340, 420)
	b := img.Bounds()
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			if r, g, bl, _ := img.At(x, y).RGBA(); !(r>>8 >= 108 && r>>8 <= 112 && r == g && g == bl) && !(r>>8 > 110 && g>>8 <= 112) {
				t.Fatalf("pixel %d, %d is %d, %d, %d", x, y, r>>8, g>>8, bl>>8)
			}
		}
	}
}

// A batter at the edge of the picture: what lies beyond it stays dark.
func TestCropBeyondThePicture(t *testing.T) {
	rep, clip := report(t, "open_clean")
	s := dotted(rep, clip, pipeline.Contact, 1)
	img, _, _ := cut(s, [4]float64{-100, 100, 100, 300}, 200, 200)
	if got := img.RGBAAt(40, 100); got != overlay.Board {
		t.Errorf("left of the picture: %v", got)
	}
	if got := img.RGBAAt(160, 100); got != (color.RGBA{110, 110, 110, 255}) {
		t.Errorf("in the picture: %v", got)
	}
}

func TestMakeErrors(t *testing.T) {
	rep, clip := report(t, "open_clean")
	if _, err := Make(rep, nil, words.English(), Head{}); !errors.Is(err, ErrNoStills) {
		t.Errorf("no stills: %v", err)
	}
	if _, err := Make(rep, []Still{{Event: pipeline.Contact}}, words.English(), Head{}); err == nil {
		t.Error("a still without a picture was laid out")
	}
	s := dotted(rep, clip, pipeline.Contact, 1)
	s.Drawn.Seen = false
	if _, err := Make(rep, []Still{s}, words.English(), Head{}); err != nil {
		t.Errorf("nobody seen on the only still: %v", err)
	}
	rep.Swings = nil
	if _, err := Make(rep, []Still{s}, words.English(), Head{}); !errors.Is(err, overlay.ErrNoSwing) {
		t.Errorf("no swing: %v", err)
	}
}

// Whatever the language and however long the coach's own words, nothing is
// written into the sheet's margins.
func TestLongWordsStayOnTheSheet(t *testing.T) {
	for _, code := range words.Codes() {
		lang, err := words.For(code)
		if err != nil {
			t.Fatal(err)
		}
		rep, clip := report(t, "open_faults")
		sw := rep.Chosen()
		sw.Measures = append(sw.Measures, pipeline.Measure{Key: "back_foot_turn", At: pipeline.Finish, Unit: "deg", Warnings: []string{"foot_ambiguous"}})
		var stills []Still
		for _, e := range sw.Events {
			stills = append(stills, dotted(rep, clip, e.Kind, 1))
		}
		for _, text := range []string{"", strings.Repeat("Unverhältnismäßigkeitsüberlegungen ", 30)} {
			if text != "" {
				sw.Findings = []pipeline.Finding{{Rule: "coach", Kind: pipeline.Priority, Text: text}}
			}
			img, err := Make(rep, stills, lang, Head{FirstName: "Maximiliana-Alexandrina", Date: "2026-09-30"})
			if err != nil {
				t.Fatal(err)
			}
			b := img.Bounds()
			for y := b.Min.Y; y < b.Max.Y; y++ {
				for x := width - margin + 9; x < width; x++ {
					if img.RGBAAt(x, y) != overlay.Board {
						t.Fatalf("%s, %q: something is written at %d, %d", code, text, x, y)
					}
				}
			}
		}
	}
}

// Whose and which day's the sheet is stands in its head, and nowhere else; the
// clip's name, which may hold more, does not.
func TestHead(t *testing.T) {
	rep, clip := report(t, "open_clean")
	stills := []Still{dotted(rep, clip, pipeline.Contact, 1)}
	make := func(who Head, name string) *image.RGBA {
		rep.Clip.Name = name
		img, err := Make(rep, stills, words.English(), who)
		if err != nil {
			t.Fatal(err)
		}
		return img
	}
	bare := make(Head{}, "a.mp4")
	if !slices.Equal(bare.Pix, make(Head{}, "Ada Somebody.mp4").Pix) {
		t.Error("the clip's name is on the sheet")
	}
	named := make(Head{FirstName: "Ada", Date: "2026-05-03"}, "a.mp4")
	if named.Bounds() != bare.Bounds() {
		t.Fatalf("%v and %v", named.Bounds(), bare.Bounds())
	}
	n := 0
	for y := range bare.Bounds().Dy() {
		for x := range width {
			if named.RGBAAt(x, y) == bare.RGBAAt(x, y) {
				continue
			}
			if n++; y > margin+int(heading)*3/2 || x < width/2 {
				t.Fatalf("pixel %d, %d differs", x, y)
			}
		}
	}
	if n < 500 {
		t.Errorf("only %d pixels of the head", n)
	}
	for _, c := range []struct {
		who  Head
		want string
	}{{Head{}, ""}, {Head{FirstName: "Ada"}, "Ada"}, {Head{Date: "2026-05-03"}, "3 May 2026"}, {Head{FirstName: "Ada", Date: "2026-05-03"}, "Ada, 3 May 2026"}} {
		if got := c.who.line(words.English()); got != c.want {
			t.Errorf("%+v: %q, want %q", c.who, got, c.want)
		}
	}
	// A family isn't asked for the coach's eye.
	family, less := make(Head{Leaves: true}, "a.mp4"), 0
	for y := range bare.Bounds().Dy() {
		for x := range width {
			if family.RGBAAt(x, y) == bare.RGBAAt(x, y) {
				continue
			}
			if less++; family.RGBAAt(x, y) != overlay.Board {
				t.Fatalf("pixel %d, %d is more than the question less", x, y)
			}
		}
	}
	if less == 0 {
		t.Error("the question stands on a family's sheet")
	}
}
