package cards

import (
	"bytes"
	"fmt"
	"regexp"
	"testing"

	"tapeline/pipeline/words"
)

var pageObject = regexp.MustCompile(`/Type /Page\b[^s]`)

// Six a page, the same bytes each time.
func TestPDF(t *testing.T) {
	for _, code := range words.Codes() {
		l, err := words.For(code)
		if err != nil {
			t.Fatal(err)
		}
		for _, units := range words.Systems {
			for n, pages := range map[int]int{1: 1, 6: 1, 7: 2, 40: 7} {
				var ids []string
				for i := range n {
					ids = append(ids, fmt.Sprintf("b%02d", i))
				}
				a, err := PDF(ids, l.In(units))
				if err != nil {
					t.Fatal(err)
				}
				if got := len(pageObject.FindAll(a, -1)); got != pages {
					t.Errorf("%d cards on %d pages, want %d", n, got, pages)
				}
				b, _ := PDF(ids, l.In(units))
				if !bytes.Equal(a, b) {
					t.Error("two sheets of the same players differ")
				}
			}
		}
	}
	if _, err := PDF([]string{"Ada Smith"}, words.English()); err == nil {
		t.Error("a name was printed")
	}
}
