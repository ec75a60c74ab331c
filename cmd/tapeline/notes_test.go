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
