package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	_ "image/png"
	"math/rand"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"tapeline/detect/swing/sim"
	"tapeline/pipeline"
	"tapeline/pipeline/ledger"
	"tapeline/pipeline/words"
)

// swung DIR DROP OPEN VIEW BATS HEIGHT: makes DIR/track.json of a simulated
// batter whose eyes sink DROP cm and whose front foot opens OPEN degrees;
// HEIGHT in cm, or 0 where it is not given.
func swung(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 6 {
		ts.Fatalf("usage: swung DIR DROP OPEN VIEW BATS HEIGHT")
	}
	ts.Check(simulated(ts.MkAbs("."), args))
}

func simulated(in string, args []string) error {
	var n [3]float64
	for i, k := range []int{1, 2, 5} {
		v, err := strconv.ParseFloat(args[k], 64)
		if err != nil {
			return err
		}
		n[i] = v
	}
	q := sim.Usual()
	q.EyeDrop, q.OpenPlant, q.OpenHit = n[0], n[1], n[1]
	q.View, q.Bats, q.Hold = pipeline.View(args[3]), pipeline.Side(args[4]), 1.5
	t := sim.Track(sim.Swing(q), sim.Perfect(), rand.New(rand.NewSource(1)))
	t.Clip.ID, t.Clip.Name = fmt.Sprintf("%x", sha256.Sum256([]byte(strings.Join(args, " ")))), args[0]+".mp4"
	t.Given = pipeline.Given{View: q.View, Bats: q.Bats, HeightCM: n[2]}
	b, err := pipeline.MarshalTrack(t)
	if err != nil {
		return err
	}
	dir := filepath.Join(in, args[0])
	return errors.Join(os.MkdirAll(dir, 0o777), os.WriteFile(filepath.Join(dir, pipeline.TrackFile), b, 0o666))
}

// picture FILE LEAST: a PNG 1080 pixels wide and at least so high.
func picture(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: picture FILE LEAST")
	}
	least, err := strconv.Atoi(args[1])
	ts.Check(err)
	img, form, err := image.Decode(strings.NewReader(ts.ReadFile(args[0])))
	ts.Check(err)
	if b := img.Bounds(); form != "png" || b.Dx() != 1080 || b.Dy() < least {
		ts.Fatalf("%s: %s of %v", args[0], form, b)
	}
}

// mode OCTAL FILE: the file has these rights.
func mode(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: mode OCTAL FILE")
	}
	st, err := os.Stat(ts.MkAbs(args[1]))
	ts.Check(err)
	if got := fmt.Sprintf("%o", st.Mode().Perm()); got != args[0] {
		ts.Fatalf("%s has mode %s", args[1], got)
	}
}

// A lesson that is made stays made when the ledger fails, and the call says so
// with its own exit code; a ledger that is bad from the start is told before
// any work.
func TestLedgerFails(t *testing.T) {
	fake(t)
	t.Chdir(t.TempDir())
	today := now
	t.Cleanup(func() { now = today })
	now = func() time.Time { return time.Date(2026, 5, 3, 12, 0, 0, 0, time.Local) }
	try := func(args string) (code int, out, errs string) {
		var o, e bytes.Buffer
		code = run(strings.Fields(args), nil, &o, &e)
		return code, o.String(), e.String()
	}
	if code, out, errs := try("read a.mp4 --player b07 --date 2026-04-12"); code != 0 || !strings.Contains(out, "In the ledger: b07, 12 April 2026. Lessons so far: 1.") {
		t.Fatalf("%d, %s, %s", code, out, errs)
	}
	if code, out, _ := try("read a.mp4 --player b07 --force"); code != 0 || !strings.Contains(out, "there already") || !strings.Contains(out, "12 April 2026") || !strings.Contains(out, "Lessons so far: 1.") {
		t.Errorf("read again: %d, %s", code, out)
	}
	if code, out, _ := try("read a.mp4 --player b08 --force --json"); code != 0 || !strings.Contains(out, `"ledger":{"player":"b08","day":"2026-04-12","day_assumed":false,"updated":true,"from":"b07","lessons":1}`) {
		t.Errorf("under another player: %d, %s", code, out)
	}
	// Bad from the start: nothing is read.
	before := []byte("not a ledger at all, but the family's shopping list")
	os.WriteFile("list.db", before, 0o600)
	code, _, errs := try("read b.mp4 --player b07 --ledger list.db")
	if after, _ := os.ReadFile("list.db"); code != int(pipeline.FaultLedger) || strings.Count(errs, "\n") != 1 || !strings.Contains(errs, "is not a ledger") || !bytes.Equal(before, after) {
		t.Errorf("%d, %s", code, errs)
	}
	if _, err := os.Stat("lessons/b"); err == nil {
		t.Error("the clip was read all the same")
	}
	// Bad when the lesson is out: meanwhile a file took the ledger's folder.
	inner := stages
	stages = func(o options) house {
		h := inner(o)
		of := h.Stages
		h.Stages = func(by aside) pipeline.Stages {
			s := of(by)
			show := s.Show
			s.Show = func(ctx context.Context, c pipeline.Clip, rep *pipeline.Report, dir string, tell pipeline.Progress) error {
				return errors.Join(os.WriteFile("file", nil, 0o600), show(ctx, c, rep, dir, tell))
			}
			return s
		}
		return h
	}
	again := try
	try = func(args string) (int, string, string) {
		os.Remove("file")
		return again(args)
	}
	code, out, errs := try("read c.mp4 --player b07 --ledger file/ledger.db")
	if code != int(pipeline.FaultLedger) || strings.Count(errs, "\n") != 1 || !strings.Contains(errs, "the lesson is made but not in the ledger") || !strings.Contains(out, "lessons/c/report.json") {
		t.Errorf("%d, %s, %s", code, out, errs)
	}
	if _, err := os.Stat("lessons/c/report.json"); err != nil {
		t.Error("the lesson went with the ledger")
	}
	code, out, _ = try("read d.mp4 --player b07 --ledger file/ledger.db --json")
	var line struct {
		Outputs map[string]string
		Error   struct{ Exit int }
	}
	if err := json.Unmarshal([]byte(out), &line); err != nil || code != 9 || line.Error.Exit != 9 || line.Outputs["report"] == "" {
		t.Errorf("%d, %s, %v", code, out, err)
	}
	if code, _, errs := try("read e.mp4 f.mp4 --player b07 --ledger file/ledger.db"); code != 9 || strings.Count(errs, "\n") != 3 {
		t.Errorf("two lessons: %d, %s", code, errs)
	}
	if code, _, _ := try("read none.mp4 g.mp4 --player b07 --ledger file/ledger.db"); code != int(pipeline.FaultPartial) {
		t.Errorf("one clip without a swing, one not in the ledger: %d", code)
	}
	if code, out, _ := try("read h.mp4"); code != 0 || strings.Contains(out, "ledger") {
		t.Errorf("without a player: %d, %s", code, out)
	}
}

// kept lessons for what follows.
func entries(t *testing.T) ([]ledger.Player, []ledger.Lesson) {
	t.Helper()
	l, err := ledger.Create(t.Context(), filepath.Join(t.TempDir(), ledger.File))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	rep := invented()
	rep.Clip.ID = "c1"
	rep.Swings[1].Findings = append(rep.Swings[1].Findings, pipeline.Finding{Rule: "coach", Kind: pipeline.Secondary, Text: `=HYPERLINK("x";"y"), said Ben`})
	rep.Bands = []pipeline.Band{{Rule: "eye_drop", Key: "eye_drop", From: pipeline.Stance, At: pipeline.Contact, Unit: "cm", Max: num(5), Origin: "K"}}
	if _, err := l.Record(t.Context(), ledger.Entry{Player: "b07", Name: "@Ada", Day: "2026-05-03", Folder: "-lessons/a,b", Report: rep, At: time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)}); err != nil {
		t.Fatal(err)
	}
	players, err := l.Players(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	lessons, err := l.Lessons(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	return players, lessons
}

// The CSV is RFC 4180, its head is the page of columns, its numbers are those
// of the report, and no cell of words begins like a formula.
func TestExportCSV(t *testing.T) {
	players, lessons := entries(t)
	var b bytes.Buffer
	if err := exportCSV(&b, players, lessons); err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(b.String(), "\n"); n != strings.Count(b.String(), "\r\n") {
		t.Error("lines do not end in CR LF")
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at := map[string]int{}
	for i, name := range rows[0] {
		at[name] = i
		if !strings.Contains(exportCommand.usage, "\n  "+name+" ") {
			t.Errorf("column %s is not explained", name)
		}
	}
	for _, unit := range []string{"cm", "pct_height", "deg", "ratio", "s"} {
		if !strings.Contains(columns[at["unit"]].about, unit) {
			t.Errorf("unit %s is not explained", unit)
		}
	}
	for _, f := range pipeline.MeasureForms {
		if !slices.Contains([]string{"cm", "pct_height", "deg", "ratio", "s"}, f.Unit) {
			t.Errorf("unit %s is new and not explained", f.Unit)
		}
	}
	count := map[string]int{}
	for _, r := range rows[1:] {
		cell := func(name string) string { return r[at[name]] }
		count[cell("record")]++
		for i, c := range r {
			if columns[i].words && c != "" && strings.ContainsAny(c[:1], "=+-@") {
				t.Errorf("a formula: %q", c)
			}
		}
		switch {
		case cell("key") == "eye_drop" && cell("at") == "contact" && cell("record") == "measure":
			if strings.Join([]string{cell("player"), cell("name"), cell("day"), cell("day_assumed"), cell("swing"), cell("shown"), cell("unit"), cell("value"), cell("lo"), cell("hi"), cell("band_min"), cell("band_max"), cell("stands"), cell("folder"), cell("recorded")}, "|") !=
				"b07|'@Ada|2026-05-03|false|2|true|cm|7.94|7.06|8.61||5|outside|'-lessons/a,b|2026-05-04T08:00:00Z" {
				t.Errorf("%q", r)
			}
		case cell("key") == "head_drop":
			if cell("value") != "-0.04" { // ours: a number stays a number
				t.Errorf("%q", r)
			}
		case cell("key") == "coach":
			if cell("text") != `'=HYPERLINK("x";"y"), said Ben` || cell("kind") != "secondary" {
				t.Errorf("%q", r)
			}
		case cell("key") == "back_foot_turn":
			if cell("value") != "" || cell("lo") != "15" || cell("warnings") != "foot_short blurred" || cell("stands") != "" {
				t.Errorf("%q", r)
			}
		}
	}
	sw := lessons[0].Swings[1]
	if count["measure"] != len(sw.Measures) || count["finding"] != len(sw.Findings) || count["height"] != 1 {
		t.Errorf("%v", count)
	}
}

func TestHarmless(t *testing.T) {
	for in, want := range map[string]string{"": "", "Ada": "Ada", "=1": "'=1", "+1": "'+1", "-1": "'-1", "@x": "'@x", "\t=1": "'\t=1", "\r=1": "'\r=1", "\n=": "'\n=", "a=1": "a=1", "é": "é"} {
		if got := harmless(in); got != want {
			t.Errorf("%q: %q", in, got)
		}
	}
}

// The JSON holds what the ledger holds.
func TestExportJSON(t *testing.T) {
	players, lessons := entries(t)
	var b bytes.Buffer
	if err := exportJSON(&b, players, lessons); err != nil {
		t.Fatal(err)
	}
	var got struct {
		Schema  int
		Players []ledger.Player
		Lessons []struct {
			Clip, Player, Day string
			Bands             []pipeline.Band
			Swings            []struct {
				Index    int
				Shown    bool
				Measures []pipeline.Measure
				Findings []pipeline.Finding
			}
		}
	}
	if err := json.Unmarshal(b.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	l := got.Lessons[0]
	if got.Schema != 1 || got.Players[0].Name != "@Ada" || l.Clip != "c1" || l.Day != "2026-05-03" || len(l.Bands) != 1 || len(l.Swings) != 2 || !l.Swings[1].Shown ||
		*l.Swings[1].Measures[0].Value != 7.94 || len(l.Swings[1].Findings) != len(lessons[0].Swings[1].Findings) {
		t.Errorf("%s", b.String())
	}
	b.Reset()
	if err := exportJSON(&b, nil, nil); err != nil || !strings.Contains(b.String(), `"players": [],`) || !strings.Contains(b.String(), `"lessons": []`) {
		t.Errorf("an empty ledger: %s, %v", b.String(), err)
	}
}

// A difference keeps its sign; a limit is written as it was set.
func TestProgressWords(t *testing.T) {
	l := words.English()
	for _, c := range []struct {
		v    float64
		want string
	}{{2.94, "+2.9 cm"}, {-2.94, "−2.9 cm"}, {0.04, "0.0 cm"}, {-0.04, "0.0 cm"}, {0, "0.0 cm"}} {
		if got := signed(l, c.v, "cm", 1); got != c.want {
			t.Errorf("%g: %q, want %q", c.v, got, c.want)
		}
	}
	band := func(least, most *float64, unit string) *pipeline.Band {
		return &pipeline.Band{Min: least, Max: most, Unit: unit}
	}
	for want, b := range map[string]*pipeline.Band{
		"band: at most 5 cm": band(nil, num(5), "cm"), "band: at least 0.5 s": band(num(.5), nil, "s"),
		"band: at most 0.25": band(nil, num(.25), "ratio"), "band: 0° to 30°": band(num(0), num(30), "deg"), "no band": band(nil, nil, "cm"),
	} {
		if got := bandText(l, b); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	if got := bandText(l.In(words.Imperial), band(nil, num(5), "cm")); got != "band: at most 2 in" {
		t.Errorf("%q", got)
	}
}

// The commands on a ledger of simulated lessons, one after the other in one
// folder: what they print, how they complain.
func TestLedgerCommands(t *testing.T) {
	t.Chdir(t.TempDir())
	for _, s := range []string{"one 9 60 chest R 178", "two 8 58 chest R 178", "three 1 10 chest R 178", "rear 1 10 catcher R 178", "tall 1 10 chest R 0", "other 5 20 chest R 160"} {
		if err := simulated(".", strings.Fields(s)); err != nil {
			t.Fatal(err)
		}
	}
	for name, text := range map[string]string{"e.json": "{}", "newer.json": `{"schema": 9, "swings": []}`} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, step := range []struct {
		args string
		code pipeline.Fault
		want []string // patterns of lines; of the complaint where there is one
		not  string
	}{
		{"progress b07", 9, []string{"there is no ledger yet"}, ""},
		{"judge one --out lessons/one --player b07 --name Ada --date 2026-04-12", 0, []string{"^In the ledger: b07, 12 April 2026. Lessons so far: 1.$", "no lesson of an earlier day"}, ""},
		{"judge two --out lessons/two --player b07 --date 2026-04-12", 0, []string{"Lessons so far: 2."}, ""},
		{"judge three --out lessons/three --player b07 --date 2026-05-03", 0, []string{"^Since the lesson of 12 April 2026:$", `Eye drop, stance to contact +.* → .* −\d+ cm, larger than the doubt: now fine$`}, ""},
		{"judge other --out lessons/other --player b08 --date 2026-05-03", 0, []string{"no lesson of an earlier day"}, ""},
		{"judge rear --out lessons/rear --player b07 --date 2026-05-10", 0, []string{"filmed from another side", "^  Eye drop, stance to contact"}, "Front foot open.*doubt"},
		{"judge tall --out lessons/tall --player b07", 0, []string{"day of the first reading stands for it"}, ""},
		{"judge three --out lessons/three --player b07 --force", 0, []string{"3 May 2026. This clip was there already.* Lessons so far: 5."}, ""},
		{"judge one --player b07", 2, []string{"give --out too"}, ""},
		{"judge one --player Ada --out x", 2, []string{`--player: "Ada"`}, ""},

		{"progress b07", 0, []string{"^b07, Ada: 5 lessons, 12 April 2026 to ", `^Eye drop, stance to contact \(band: at most 5 cm\)$`, `^ +12 April 2026 +9\.\d cm .* too much$`,
			`^ +3 May 2026 +\d\.\d cm .* fine +−\d\.\d cm, larger than the doubt: now fine$`, "^Seen from the catcher", "% of height", ` \*`, "^lessons/progress-b07.png$", "^lessons/progress-b07.svg$"}, ""},
		{"progress b07 --out there --lang es --units imperial", 0, []string{"pulg"}, " cm"},
		{"progress b07 --json", 0, []string{`"day_assumed": true`, `"larger": true`}, `\.png`},
		{"progress b07 --day 2026-04-12", 0, []string{"Session of 12 April 2026: 2 swings", "Eye drop, stance to contact +2 .* 0 inside the band, 2 outside"}, ""},
		{"progress b07 --day 2026-04-12 --json", 0, []string{`"swings": 2`}, ""},
		{"progress", 2, []string{"one player, not 0"}, ""},
		{"progress Ada", 2, []string{"no player's code"}, ""},
		{"progress b09", 2, []string{"there are b07, b08"}, ""},
		{"progress b07 --day 2026-13-01", 2, []string{"--day"}, ""},
		{"progress b07 --day 2026-04-13", 2, []string{"there are lessons of 2026-04-12, 2026-05-03"}, ""},
		{"progress b07 --out lessons/ledger.db", 7, []string{"can't be"}, ""},
		{"progress b07 --ledger e.json", 9, []string{"is not a ledger"}, ""},

		{"compare lessons/one three", 0, []string{"^A: 12 April 2026$", "^B: 3 May 2026$", `Eye drop, stance to contact .* −\d+ cm, larger than the doubt: now fine$`, "Without the traces of the eyes: lessons/one has no track.json", "Without stills"}, ""},
		{"compare one three", 7, []string{"exists already"}, ""},
		{"compare one three --ledger no.db --out f --name Ada --date-a 2026-04-01 --date-b 2026-04-02", 0, []string{"^A: 1 April 2026$", "^B: 2 April 2026$"}, ""},
		{"compare one three --date-a spring --out e", 2, []string{"is not a day"}, ""},
		{"compare one three --name AdaAdaAdaAdaAdaAdaAdaAdaAdaAdaAdaAdaAdaAda --out e", 2, []string{"no first name"}, ""},
		{"compare one three --force", 0, []string{"Without stills", "^lessons/compare.png$"}, "Without the traces"},
		{"compare one/track.json lessons/three/report.json --json", 0, []string{`"same_view": true`, `"larger": true`}, `\.png`},
		{"compare one rear --out c", 0, []string{"different sides", "other view, not compared"}, ""},
		{"compare one tall --out d", 0, []string{"other units, not compared"}, ""},
		{"compare one", 2, []string{"two lessons, not 1"}, ""},
		{"compare one one --out e", 2, []string{"the same swing"}, ""},
		{"compare one other --out e", 2, []string{"of player b07 and B of player b08"}, ""},
		{"compare one three --swing-b 7 --out e", 2, []string{"not one of number 7"}, ""},
		{"compare one nowhere --out e", 3, []string{"no such lesson"}, ""},
		{"compare one e.json --out e", 3, []string{"neither a report nor a track"}, ""},
		{"compare one newer.json --out e", 3, []string{"of version 9"}, ""},
		{"compare one . --out e", 3, []string{"neither report.json nor track.json"}, ""},
		{"compare one three --clip-a e.json --out e", 3, []string{"e.json"}, ""},

		{"export", 0, []string{"^record,player,name,", "^measure,b08,", "^phase,b08,.*,contact,,,s,[0-9.]+,"}, ""},
		{"export --player b07 --out all.csv", 0, nil, "."},
		{"export --out all.csv", 7, []string{"exists already", "--out FILE writes elsewhere"}, ""},
		{"export --json --player b08", 0, []string{`"player": "b08"`}, "b07"},
		{"help export", 0, []string{"band_min +least that counts"}, ""},
		{"export --csv --json", 2, []string{"not both"}, ""},
		{"export b07", 2, []string{"takes no name"}, ""},
		{"export --player b09", 2, []string{"no lesson of player b09"}, ""},
		{"export --player B9", 2, []string{"no player's code"}, ""},

		// The same clip under another day, name or code: said, and never compared with itself.
		{"judge other --out again --player b08 --name Ben --date 2026-05-20 --ledger lessons/ledger.db", 0, []string{"Its day was 3 May 2026 before.", "no lesson of an earlier day"}, "first name was"},
		{"judge other --out again --player b08 --name Bo --date 2026-05-20 --force --ledger lessons/ledger.db", 0, []string{"first name was Ben before"}, "Its day"},
		{"judge other --out again --player b10 --date 2026-05-20 --force --ledger lessons/ledger.db", 0, []string{"under player b08 before"}, ""},
	} {
		var out, errs bytes.Buffer
		code := run(strings.Fields(step.args), nil, &out, &errs)
		text := out.String()
		if step.code != 0 {
			text = errs.String()
			if strings.Count(text, "\n") != 1 || !strings.HasPrefix(text, "tapeline: ") {
				t.Errorf("%s: complains %q", step.args, text)
			}
		}
		if code != int(step.code) {
			t.Errorf("%s: exit code %d, %s; want %d", step.args, code, errs.String(), step.code)
		}
		for _, p := range step.want {
			if !regexp.MustCompile("(?m)" + p).MatchString(text) {
				t.Errorf("%s: no %q in\n%s", step.args, p, text)
			}
		}
		if step.not != "" && regexp.MustCompile("(?m)"+step.not).MatchString(text) {
			t.Errorf("%s: %q in\n%s", step.args, step.not, text)
		}
	}
	// The comparison's picture says the player's first name, as the ledger does.
	var both [2]compared
	for i, dir := range []string{"lessons/one", "three"} {
		var err error
		if both[i], err = openCompared(dir, 0, nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := fromLedger(t.Context(), book{file: "lessons/ledger.db"}, &both); err != nil || both[0].name != "Ada" || both[1].name != "Ada" {
		t.Errorf("%q and %q, %v", both[0].name, both[1].name, err)
	}
	for _, none := range []string{"e", "x"} {
		if _, err := os.Stat(none); err == nil {
			t.Errorf("%s was made", none)
		}
	}
	all, err := os.ReadFile("all.csv")
	if err != nil || bytes.Contains(all, []byte("b08")) || !bytes.Contains(all, []byte("\nheight,b07,Ada,,,2026-04-12,,,,,178,")) || !bytes.Contains(all, []byte("\nfinding,b07,Ada")) {
		t.Errorf("%v, %s", err, all)
	}
	for _, name := range []string{"all.csv", "lessons/ledger.db"} {
		if st, err := os.Stat(name); err != nil || st.Mode().Perm() != 0o600 {
			t.Errorf("%s is open to others: %v", name, err)
		}
	}
}

// In the picture a lesson without a day is no more than its letter: the
// folder's name comes from the clip's, which may hold more.
// Without --ledger it is the one among the lessons, else that of the work folder;
// of two neither is taken for the whole.
func TestLedgerHere(t *testing.T) {
	t.Chdir(t.TempDir())
	asked := func(code int, want string, args ...string) {
		t.Helper()
		var out bytes.Buffer
		if got := run(args, nil, &out, &out); got != code || !strings.Contains(out.String(), want) {
			t.Errorf("%v: %d, want %d and %q: %s", args, got, code, want, out.String())
		}
	}
	made := func(path, player string) {
		t.Helper()
		l, err := ledger.Create(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		rep := pipeline.Report{Schema: pipeline.ReportSchema, Clip: pipeline.ClipInfo{ID: "clip of " + player}}
		_, err = l.Record(t.Context(), ledger.Entry{Player: player, Report: rep, At: time.Now()})
		if err := errors.Join(err, l.Close()); err != nil {
			t.Fatal(err)
		}
	}
	work := filepath.Join("tapeline-work", "lessons", ledger.File)
	for _, args := range [][]string{{"progress", "b07", "--json"}, {"export"}} {
		asked(9, "nor at \""+work, args...)
	}
	made(work, "b07")
	asked(0, `"id": "b07"`, "progress", "b07", "--json")
	asked(0, `"id": "b07"`, "export", "--json")
	asked(0, `"id": "b07"`, "export", "--json", "--ledger", work)
	made(filepath.Join("lessons", ledger.File), "c12")
	asked(2, "there are two ledgers", "progress", "b07", "--json")
	asked(0, `"id": "c12"`, "export", "--json", "--ledger", filepath.Join("lessons", ledger.File))
	t.Setenv("TAPELINE_LEDGER", work)
	asked(0, `"id": "b07"`, "progress", "b07", "--json")
	t.Setenv("TAPELINE_LEDGER", "")
	t.Setenv("TAPELINE_OUT", filepath.Dir(work))
	asked(0, `"id": "b07"`, "progress", "b07", "--json")
}

func TestComparedLabels(t *testing.T) {
	l := words.English()
	for _, c := range []struct {
		day          string
		swings       int
		label, drawn string
	}{
		{"", 1, "ada_somebody", ""}, {"", 2, "ada_somebody, swing 2 of 2", "swing 2 of 2"},
		{"2026-05-03", 1, "3 May 2026", "3 May 2026"}, {"2026-05-03", 2, "3 May 2026, swing 2 of 2", "3 May 2026, swing 2 of 2"},
	} {
		x := compared{Day: c.day, Swing: c.swings, given: "lessons/ada_somebody", dir: "lessons/ada_somebody", rep: pipeline.Report{Swings: make([]pipeline.Swing, c.swings)}}
		if x.label(l) != c.label || x.drawn(l) != c.drawn {
			t.Errorf("%+v: %q and %q", c, x.label(l), x.drawn(l))
		}
	}
}
