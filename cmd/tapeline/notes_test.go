package main

import (
	"bytes"
	"strings"
	"testing"

	"tapeline/pipeline"
	"tapeline/pipeline/ledger"
	"tapeline/pipeline/words"
)

// The coach's own words stand before all numbers, a line each.
func TestTableBeginsWithTheNotes(t *testing.T) {
	rep := invented()
	rep.Chosen().Notes = []string{"Good work\ntoday.", "Bring the blue bat."}
	var b bytes.Buffer
	printTable(&b, words.English(), rep)
	notes, phases := strings.Index(b.String(), "\nFrom your coach:\n  Good work today.\n  Bring the blue bat.\n"), strings.Index(b.String(), "\nPhase")
	if notes < 0 || phases < notes {
		t.Errorf("%s", b.String())
	}
}

// One swing has no spread: one line in place of a table.
func TestSessionOfOneSwing(t *testing.T) {
	sw := pipeline.Swing{Index: 1, Chosen: true}
	for _, h := range headline {
		sw.Measures = append(sw.Measures, pipeline.Measure{Key: h.key, From: h.from, At: h.at, Unit: "cm", Value: num(3), Lo: num(2), Hi: num(4)})
	}
	l := words.English()
	lesson := ledger.Lesson{Player: "b07", Day: "2026-05-03", View: pipeline.ViewChest, Bats: pipeline.BatsRight, Swings: []pipeline.Swing{sw}}
	var b bytes.Buffer
	if err := session(&b, l, ledger.Player{ID: "b07"}, []ledger.Lesson{lesson}, "2026-05-03", false); err != nil {
		t.Fatal(err)
	}
	if lines := strings.Split(strings.TrimSpace(b.String()), "\n"); len(lines) != 4 || lines[3] != l.Progress["only_one"] {
		t.Errorf("%s", b.String())
	}
	two := lesson
	two.Clip = "other"
	b.Reset()
	if err := session(&b, l, ledger.Player{ID: "b07"}, []ledger.Lesson{lesson, two}, "2026-05-03", false); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(b.String(), l.Progress["spread_say"]) || strings.Contains(b.String(), l.Progress["only_one"]) {
		t.Errorf("%s", b.String())
	}
}

// A change is told with which way it went; the picture leaves out what that
// says already.
func TestChangeInWords(t *testing.T) {
	of := func(v float64) *pipeline.Measure {
		return &pipeline.Measure{Key: "eye_drop", Unit: "cm", Value: num(v), Lo: num(v - 1), Hi: num(v + 1)}
	}
	es, err := words.For("es")
	if err != nil {
		t.Fatal(err)
	}
	band := &pipeline.Band{Key: "eye_drop", Unit: "cm", Max: num(5)}
	for _, c := range []struct {
		before, after      float64
		table, brief, inES string
	}{
		{12, 8, "−4 cm, larger than the doubt: closer to fine", "−4 cm, closer to fine", "−4 cm, mayor que el margen de error: más cerca de lo bueno"},
		{12, 4, "−8 cm, larger than the doubt: now fine", "−8 cm, now fine", "−8 cm, mayor que el margen de error: ahora está bien"},
		{8, 12, "+4 cm, larger than the doubt: further from fine", "+4 cm, further from fine", "+4 cm, mayor que el margen de error: más lejos de lo bueno"},
		{0, 4, "+4 cm, larger than the doubt: changed", "+4 cm, larger than the doubt", "+4 cm, mayor que el margen de error: cambió"},
		{8, 8.7, "+1 cm, within the doubt", "+1 cm, within the doubt", "+1 cm, dentro del margen de error"},
	} {
		ch, _ := pipeline.Compare(of(c.before), of(c.after))
		d := deltaOf(&ch, band)
		l := words.English()
		if a, b, e := deltaText(l, d, false), briefly(l, d), deltaText(es, d, false); a != c.table || b != c.brief || e != c.inES {
			t.Errorf("%g to %g: %q, %q, %q", c.before, c.after, a, b, e)
		}
	}
}
