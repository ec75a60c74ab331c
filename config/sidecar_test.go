package config

import (
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tapeline/pipeline"
)

func sidecar(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "clip.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// Every key of a sidecar, and what it becomes.
func TestSidecar(t *testing.T) {
	s, err := ReadSidecar(sidecar(t, `
player: b07
name: Ada
date: 2026-05-03
bats: L
view: chest
height: 4ft11in
level: youth
sport: softball
distance: 5m
batter: 412,300
marker: orange
scale: 10,20,110,20=17in
swing: 2
capture: 240
players: [{from: "0:00", to: "12:30", id: ada7}, {from: 750, to: 1:00:00.5, id: ben4}, {from: 3600.5, id: b07}]
times: {contact: 1.335, plant: 1.165}
points:
  - {part: eyes, frame: 70, at: [412.5, 233]}
palms: {top: up, bottom: down}
notes: ["Great week, Ada."]
findings:
  drop: [hands_start]
  add: [{kind: priority, text: Keep the front shoulder in.}]
  first: [front_foot_open]
  say: [{rule: eye_drop, kind: secondary, text: Stay tall.}]
`))
	if err != nil {
		t.Fatal(err)
	}
	want := &pipeline.Coach{
		Times:  []pipeline.Timed{{Event: pipeline.Plant, T: 1.165}, {Event: pipeline.Contact, T: 1.335}}, // in the order of the phases
		Points: []pipeline.Placed{{Part: "eyes", Frame: 70, At: pipeline.Point{X: 412.5, Y: 233}}},
		Palms:  &pipeline.Palms{Top: "up", Bottom: "down"},
		Notes:  []string{"Great week, Ada."},
		Drop:   []string{"hands_start"},
		Add:    []pipeline.Added{{Kind: pipeline.Priority, Text: "Keep the front shoulder in."}},
		First:  []string{"front_foot_open"},
		Say:    []pipeline.Said{{Rule: "eye_drop", Kind: pipeline.Secondary, Text: "Stay tall."}},
	}
	if got := s.Coach(); !reflect.DeepEqual(got, want) {
		t.Errorf("%+v", got)
	}
	for i, want := range [][2]float64{{0, 750}, {750, 3600.5}, {3600.5, 0}} {
		if from, to := s.Players[i].Seconds(); from != want[0] || to != want[1] {
			t.Errorf("%v from %g to %g", s.Players[i], from, to)
		}
	}
	v := reflect.ValueOf(s)
	for i := range v.NumField() {
		if v.Field(i).IsZero() {
			t.Errorf("%s was not read", v.Type().Field(i).Name)
		}
	}
	// What is written is read back, and so is its JSON.
	b, err := s.Bytes()
	if err != nil {
		t.Fatal(err)
	}
	again, err := ParseSidecar(b)
	if err != nil || !reflect.DeepEqual(again, s) {
		t.Errorf("written and read: %v\n%s", err, b)
	}
	if b, err = s.JSON(); err != nil || !json.Valid(b) {
		t.Fatal(err)
	}
	if again, err = ParseSidecar(b); err != nil || !reflect.DeepEqual(again, s) {
		t.Errorf("as JSON: %v\n%s", err, b)
	}
}

// Whatever words and numbers a sidecar may hold come back as they were; what it
// may not hold isn't written.
func TestSidecarBytes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.OneOf(rapid.StringMatching(`[ -~]{0,20}[a-z\n#:\-'"{}]{0,9}[!-~]`), rapid.StringMatching(`[\pL¿¡\n😀]{1,40}`)).Draw(t, "text")
		var s Sidecar
		s.Name = rapid.SampledFrom([]string{"", "Ada", "null", "yes", "2026-05-03", "<b>Ben</b>"}).Draw(t, "name")
		s.Times = map[string]float64{"contact": rapid.Float64Range(0, 1e4).Draw(t, "t")}
		s.Points = []SidecarPoint{{"eyes", rapid.IntRange(0, 1e5).Draw(t, "frame"), [2]float64{rapid.Float64Range(0, 9e4).Draw(t, "x"), .1}}}
		s.Notes = []string{text}
		b, err := s.Bytes()
		if strings.TrimSpace(text) == "" {
			if err == nil {
				t.Fatalf("%q was written", text)
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		s.Notes = []string{strings.TrimSpace(text)}
		again, err := ParseSidecar(b)
		if err != nil || !reflect.DeepEqual(again, s) {
			t.Fatalf("%v\n%s\n%+v\n%+v", err, b, again, s)
		}
		j, err := s.JSON()
		if err != nil {
			t.Fatal(err)
		}
		if again, err = ParseSidecar(j); err != nil || !reflect.DeepEqual(again, s) {
			t.Fatalf("%v\n%s", err, j)
		}
		over, err := s.Over([]byte("# by hand\nname: Ben # the tall one\nnotes: # two\n  - Wait.\n  # why\n  - Again.\n"))
		if err != nil {
			t.Fatal(err)
		}
		if again, err = ParseSidecar(over); err != nil || !reflect.DeepEqual(again, s) {
			t.Fatalf("%v\n%s", err, over)
		}
	})
	if b, err := (Sidecar{}).Bytes(); err != nil || len(b) != 0 {
		t.Errorf("nothing to say: %q, %v", b, err)
	}
	if b, err := (Sidecar{Level: "pro"}).Bytes(); err == nil {
		t.Errorf("written: %q", b)
	}
}

func TestNoSidecarSaysNothing(t *testing.T) {
	for _, path := range []string{filepath.Join(t.TempDir(), "none.yaml"), sidecar(t, ""), sidecar(t, "# nothing yet\n")} {
		s, err := ReadSidecar(path)
		if err != nil || !reflect.DeepEqual(s, Sidecar{}) || s.Coach() != nil {
			t.Errorf("%+v, %v", s, err)
		}
	}
}

// Every slip is one line that names the key.
func TestSidecarSlips(t *testing.T) {
	for text, want := range map[string]string{
		"hieght: 150cm":                       `line 1: no key is called "hieght"; did you mean "height"?`,
		"\nBatz: L":                           `line 2: no key is called "Batz"; did you mean "bats"?`,
		"palms: {topp: up}":                   `line 1: no key is called "topp"; did you mean "palms.top"?`,
		"points: [{prat: eyes}]":              `line 1: no key is called "prat"; did you mean "points.part"?`,
		"note: [x]":                           `line 1: no key is called "note"; did you mean "notes"?`,
		"swing_count: 3":                      `line 1: no key is called "swing_count"; there are player, name, date, `,
		"swing: two":                          "line 1",
		"a: b: c":                             "mapping values",
		"player: Ada B":                       "player:",
		`name: "Ada\nBen"`:                    "name:",
		"player: ../x":                        "player:",
		"date: 3 May":                         "date:",
		"level: pro":                          "level:",
		"sport: golf":                         "sport:",
		"swing: -1":                           "swing:",
		"capture: -5":                         "capture:",
		"players: [{from: 1:75, id: b07}]":    "players[0].from:",
		"players: [{from: 1:61:00, id: b07}]": "players[0].from:",
		"players: [{from: -5, id: b07}]":      "players[0].from:",
		"players: [{to: noon, id: b07}]":      "players[0].to:",
		"players: [{from: 1:30, to: 90, id: b07}]":                                 "players[0]: it ends at 90, before it begins",
		"players: [{to: 0, id: b07}]":                                              "before it begins",
		"players: [{from: 0, to: 60}]":                                             "players[0].id:",
		"players: [{id: Ada B}]":                                                   "players[0].id:",
		"players: [{till: 3, id: b07}]":                                            "till",
		"players: [{id: b07}, {from: 5, to: 9, id: c3}]":                           "players[0] and players[1] overlap",
		"players: [{from: 60, to: 90, id: b07}, {from: 0:30, to: 1:00.5, id: c3}]": "players[0] and players[1] overlap",
		"times: {impact: 1}":                                                       "times.impact:",
		"times: {contact: -1}":                                                     "times.contact:",
		"times: {contact: .inf}":                                                   "times.contact:",
		"times: {contact: .nan}":                                                   "times.contact:",
		"points: [{part: ear, frame: 1, at: [1, 2]}]":                              "points[0].part:",
		"points: [{part: eyes, frame: -1, at: [1, 2]}]":                            "points[0].frame:",
		"points: [{part: eyes, frame: 1, at: [1, -2]}]":                            "points[0].at:",
		"points: [{part: eyes, frame: 1, at: [1]}]":                                "want 2 elements",
		"palms: {top: sideways}":                                                   "palms.top:",
		"notes: ['']":                                                              "notes[0]:",
		"notes: [\"a\\u0007b\"]":                                                   "notes[0]:",
		"notes: [" + strings.Repeat("x", 501) + "]":                                "notes[0]:",
		"findings: {add: [{kind: good, text: x}]}":                                 "findings.add[0].kind:",
		"findings: {add: [{kind: strength}]}":                                      "findings.add[0].text:",
		"findings: {drop: ['Eye drop']}":                                           "findings.drop[0]:",
		"findings: {first: ['Eye drop']}":                                          "findings.first[0]:",
		"findings: {say: [{rule: x, kind: y, text: z}]}":                           "findings.say[0].kind:",
		"findings: {say: [{rule: x, kind: strength}]}":                             "findings.say[0].text:",
		"swing: 1\n---\nswing: 2":                                                  "more than one document",
		strings.Repeat("# x\n", 1<<17):                                             "too large",
	} {
		_, err := ReadSidecar(sidecar(t, text))
		if err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%.40q: %v; want %q", text, err, want)
		}
	}
	if _, err := ReadSidecar(t.TempDir()); err == nil {
		t.Error("a folder was read as a sidecar")
	}
}

func TestSidecarPath(t *testing.T) {
	for clip, want := range map[string]string{"a/b.mov": "a/b.yaml", "x.y.MP4": "x.y.yaml", "bare": "bare.yaml"} {
		if got := SidecarPath(clip); got != want {
			t.Errorf("%s: %s", clip, got)
		}
	}
}

// What somebody wrote to a sidecar by hand stays when another one is written
// over it, as long as what it was written to stays.
func TestSidecarOver(t *testing.T) {
	const old = "# filmed by Kim\n\nheight: 150cm   # measured in May\ntimes: {plant: 1.165}\n# two of them\nnotes:\n    # first\n    - Quieter head.\n    - Wait.\nview: chest # from the fence\n"
	was, err := ParseSidecar([]byte(old))
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		change func(*Sidecar)
		want   string
	}{
		"nothing":      {func(*Sidecar) {}, old},
		"another":      {func(s *Sidecar) { s.Height = "152cm" }, strings.Replace(old, "150cm   #", "152cm #", 1)},
		"one more":     {func(s *Sidecar) { s.Bats = "R" }, strings.Replace(old, "   # m", " # m", 1) + "bats: R\n"},
		"one less":     {func(s *Sidecar) { s.View, s.Notes = "", s.Notes[:1] }, "# filmed by Kim\n\nheight: 150cm # measured in May\ntimes: {plant: 1.165}\n# two of them\nnotes:\n    # first\n    - Quieter head.\n"},
		"in its place": {func(s *Sidecar) { s.Times = map[string]float64{"plant": 1.2, "contact": 1.3} }, strings.NewReplacer("   # m", " # m", "{plant: 1.165}", "{plant: 1.2, contact: 1.3}").Replace(old)},
		"all":          {func(s *Sidecar) { *s = Sidecar{} }, ""},
	} {
		s := was
		c.change(&s)
		b, err := s.Over([]byte(old))
		if err != nil || string(b) != c.want {
			t.Errorf("%s: %v\n%s\nwant\n%s", name, err, b, c.want)
		}
		if got, err := ParseSidecar(b); err != nil || !reflect.DeepEqual(got, s) {
			t.Errorf("%s: %+v %v, want %+v", name, got, err, s)
		}
	}
	// What can't be read is written anew.
	for _, bad := range []string{"", "hieght: 1", "a: [", "# nothing", "&a [*a]"} {
		if b, err := was.Over([]byte(bad)); err != nil || !strings.Contains(string(b), "150cm") {
			t.Errorf("over %q: %s %v", bad, b, err)
		}
	}
}
