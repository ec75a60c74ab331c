// Package cards draws the sheet of number cards: for each player a square code
// with the short code in it, and that once more in large letters. No name.
package cards

import (
	"bytes"
	"fmt"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"github.com/piglig/go-qr"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// Millimetres and points.
const (
	edge  = 12.0 // of the paper
	foot  = 8.0  // for the line that says how to use them
	cols  = 2
	rows  = 3
	pad   = 4.0  // between a card's edge and what is on it
	label = 14.0 // height of the line below the square code
	quiet = 4    // white modules around the code (ISO/IEC 18004 §6.3.8)
	tick  = 4.0  // half a cut mark
	over  = 0.06 // how far a row of modules reaches into the next
	point = 25.4 / 72
)

// PDF is the sheet for players of these short codes, in that order: six cards
// a page of A4, or of Letter where lengths are in inches. The same codes give
// the same bytes. A code that can't be a player's is an error.
func PDF(ids []string, lang words.Lang) ([]byte, error) {
	size := "A4"
	if lang.System() == words.Imperial {
		size = "Letter"
	}
	f := fpdf.New("P", "mm", size, "")
	// A file says nothing of when and where it was made.
	day := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	f.SetCreationDate(day)
	f.SetModificationDate(day)
	f.SetProducer("tapeline", true)
	f.SetCatalogSort(true)
	f.SetLang(lang.Code)
	f.SetTitle(lang.NumberCards["title"], true)
	f.AddUTF8FontFromBytes("go", "", goregular.TTF)
	f.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	f.SetAutoPageBreak(false, 0)
	width, height := f.GetPageSize()
	w, h := (width-2*edge)/cols, (height-2*edge-foot)/rows
	for i, id := range ids {
		at := i % (cols * rows)
		if at == 0 {
			f.AddPage()
			f.SetFont("go", "", 8.5)
			f.Text(edge, height-edge, lang.NumberCards["how"])
		}
		if err := draw(f, edge+float64(at%cols)*w, edge+float64(at/cols)*h, w, h, id); err != nil {
			return nil, err
		}
	}
	var b bytes.Buffer
	if err := f.Output(&b); err != nil {
		return nil, fmt.Errorf("cards: %w", err)
	}
	return b.Bytes(), nil
}

// draw puts one card into a box.
func draw(f *fpdf.Fpdf, x, y, w, h float64, id string) error {
	if !pipeline.PlayerForm.MatchString(id) {
		return fmt.Errorf("cards: %q is no player's code", id)
	}
	code, err := go_qr.EncodeText(pipeline.CardText(id), go_qr.Medium)
	if err != nil {
		return fmt.Errorf("cards: %w", err)
	}
	f.SetDrawColor(120, 120, 120)
	f.SetLineWidth(.15)
	for _, cx := range []float64{x, x + w} {
		for _, cy := range []float64{y, y + h} {
			f.Line(cx-tick, cy, cx+tick, cy)
			f.Line(cx, cy-tick, cx, cy+tick)
		}
	}
	n := code.Size()
	module := min(w-2*pad, h-2*pad-label) / float64(n+2*quiet)
	left, top := x+(w-float64(n)*module)/2, y+pad+quiet*module
	f.SetFillColor(0, 0, 0)
	for j := range n {
		for i := 0; i < n; i++ {
			from := i
			for i < n && code.Module(i, j) {
				i++
			}
			if i > from { // a run at once, a little into the next row: no hair lines
				f.Rect(left+float64(from)*module, top+float64(j)*module, float64(i-from)*module, module+over, "F")
			}
		}
	}
	// As large as fits: a short code is read across the cage.
	const most = 34.0
	f.SetFont("go", "B", most)
	if long := f.GetStringWidth(id); long > w-2*pad {
		f.SetFontSize(most * (w - 2*pad) / long)
	}
	f.Text(x+(w-f.GetStringWidth(id))/2, y+h-pad-label/2+most*point*.36, id)
	return nil
}
