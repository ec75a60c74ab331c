// Package page makes what a parent and a player read: one lesson as a web page
// that needs nothing but itself, and as a PDF of the same content.
//
//  1. New gathers what is to be said from the report: words and numbers, no
//     layout (content.go, plan.go)
//  2. the curves are drawn on a pen, which writes SVG or PDF (curves.go)
//  3. HTML and PDF lay the content out
//
// Nothing that leads to the player but the first name is written: the clip's
// name may hold more.
package page

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"

	"tapeline/overlay"
	"tapeline/overlay/sheet"
	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// Options is what the report doesn't know. Date is ISO, 2026-05-03; what is
// empty is left out.
type Options struct {
	FirstName string
	Date      string
	Changes   []pipeline.Change // since the lesson before
}

// Lesson is the content of one page.
type Lesson struct {
	lang words.Lang
	rep  *pipeline.Report
	sw   *pipeline.Swing

	Title  string
	About  []string
	Good   []string
	Focus  *Focus
	Head   string // over Focus or Rest
	Rest   string // said in place of a focus
	Also   string // a second fault, for later
	Why    []string
	Notes  []string // footnotes: of Why and Rows, by their marks
	Lower  *Lower
	Stills []Still
	Hands  *Still
	Rows   []Row    // held against a band
	More   []Row    // the other measures
	Legend []string // what stands under the table
	Doubts []words.Doubt
	Clip   []string // warnings of the whole clip
	Plan   *Plan
	Since  []Change
	Coach  []string
	curves *curves
}

// Focus is the one thing to work on; where there is none, the best strength to
// keep; where nothing is sure, what to film better.
type Focus struct {
	Fix, Say, Fact, Cue string
	Chain               []Link // the cause first
}

// Link is one of a chain; the Fault itself is one of them.
type Link struct {
	Text  string
	Fault bool
}

// Lower is the advice to start lower.
type Lower struct {
	Lead  string
	Lines []string
}

// Still is one picture. Alt says in words what it shows.
type Still struct {
	Head  string
	Lines []string
	Alt   string
	JPEG  []byte
	W, H  int
}

// Row is one measure; Whose says who chose the Band, Standing where the value
// stands.
type Row struct {
	Name, Explain, Value, Band, Whose, Standing string
}

// Change is one measure beside that of an earlier lesson.
type Change struct{ Name, Then, Now, Verdict string }

// stillWide is the width of a still, pixels: sharp on a phone that shows two
// in a row.
const (
	stillWide = 420
	handsHigh = 300
	quality   = 82 // of the JPEGs
)

// New gathers the chosen swing's lesson. Stills may lack; they come in any
// order. Errors: overlay.ErrNoSwing.
func New(rep *pipeline.Report, stills []sheet.Still, lang words.Lang, opt Options) (*Lesson, error) {
	sw := rep.Chosen()
	if sw == nil {
		return nil, overlay.ErrNoSwing
	}
	l := &Lesson{lang: lang, rep: rep, sw: sw}
	l.head(opt)
	l.findings()
	l.why()
	l.lower()
	l.rows()
	l.doubts()
	l.plan()
	l.since(opt.Changes)
	l.Coach = sw.Notes
	l.curves = newCurves(rep, sw, lang)
	return l, l.pictures(stills)
}

func (l *Lesson) pictures(stills []sheet.Still) error {
	tiles, err := sheet.Tiles(l.rep, stills, l.lang, stillWide, pipeline.Stance, pipeline.Plant, pipeline.Contact, pipeline.Finish)
	if err != nil {
		return err
	}
	for i, t := range tiles {
		s := Still{Head: l.lang.Events[t.Event], Lines: []string{t.Caption}}
		if t.Clock != "" {
			s.Head += " " + t.Clock
		}
		if t.Event == pipeline.Stance && l.Lower != nil {
			s.Lines = append(s.Lines, l.w("still_lower"))
		}
		if m := l.sw.Measure("front_foot_open", "", t.Event); m != nil {
			s.Lines = append(s.Lines, l.lang.Foot(m))
		}
		if m := l.sw.Measure("head_over_back", "", t.Event); m != nil {
			s.Lines = append(s.Lines, l.lang.Head(m, false))
		}
		s.Alt = fmt.Sprintf(l.w("alt_still"), s.Head, words.Sentences(s.Lines))
		// The PDF's library puts pictures in order of their widths only: with
		// one width for all, two files of one lesson would differ.
		b := t.Image.Bounds()
		b.Max.X -= i
		if err := s.encode(t.Image.SubImage(b)); err != nil {
			return err
		}
		l.Stills = append(l.Stills, s)
	}
	if img := sheet.Hands(l.rep, stills, stillWide, handsHigh); img != nil {
		s := Still{Head: l.lang.Cards["hands"], Lines: []string{l.palms()}}
		s.Alt = fmt.Sprintf(l.w("alt_still"), s.Head, words.Sentences(s.Lines))
		if err := s.encode(img); err != nil {
			return err
		}
		l.Hands = &s
	}
	return nil
}

func (s *Still) encode(img image.Image) error {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: quality}); err != nil {
		return fmt.Errorf("page: %w", err)
	}
	s.JPEG, s.W, s.H = b.Bytes(), img.Bounds().Dx(), img.Bounds().Dy()
	return nil
}
