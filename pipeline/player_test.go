package pipeline

import (
	"strings"
	"testing"
)

func TestPlayerForm(t *testing.T) {
	for id, want := range map[string]bool{"b07": true, "7": true, "a_b-c": true, "": false, "Ada": false, "-a": false, "_a": false, "a b": false, "a/b": false, "ä": false,
		"a123456789012345678901234567890b": true, "a123456789012345678901234567890bc": false} {
		if PlayerForm.MatchString(id) != want {
			t.Errorf("%q: %v", id, !want)
		}
	}
}

func TestIsName(t *testing.T) {
	for s, want := range map[string]bool{"": true, "Ada": true, "José María": true, "Ada\nBen": false, "A\x1b[31m": false, "\xff": false,
		strings.Repeat("é", 40): true, strings.Repeat("é", 41): false} {
		if IsName(s) != want {
			t.Errorf("%q: %v", s, !want)
		}
	}
}

func TestCard(t *testing.T) {
	if id, ok := CardPlayer(CardText("b07")); !ok || id != "b07" {
		t.Errorf("%q %v", id, ok)
	}
	for _, text := range []string{"", "b07", "tapeline:", "tapeline:Ada", "Tapeline:b07", "tapeline: b07"} {
		if id, ok := CardPlayer(text); ok {
			t.Errorf("%q is the card of %q", text, id)
		}
	}
}
