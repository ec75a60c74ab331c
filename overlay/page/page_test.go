package page

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"html"
	"image"
	"image/color"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"tapeline/overlay"
	"tapeline/overlay/sheet"
	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

var regen = flag.Bool("regen", false, "write the golden pages anew")

var samples = []string{"open_faults", "open_clean", "front_left"}

// tester is what loading needs; a property's T has it too.
type tester interface {
	Helper()
	Fatal(...any)
	Errorf(string, ...any)
}

// load is a saved report with a plain picture for each phase; see
// testdata/README.md.
func load(t tester, name string) (*pipeline.Report, []sheet.Still) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name+".json"))
	if err != nil {
		t.Fatal(err)
	}
	var in struct {
		Report pipeline.Report
		Path   []pipeline.Drawn
	}
	if err := json.Unmarshal(b, &in); err != nil {
		t.Fatal(err)
	}
	sw := in.Report.Chosen()
	sw.Path = in.Path
	return &in.Report, stills(&in.Report, func(x, y int) uint8 { return uint8(90 + y/4) })
}

func stills(rep *pipeline.Report, grey func(x, y int) uint8) (out []sheet.Still) {
	const scale = 3
	sw := rep.Chosen()
	for _, e := range sw.Events {
		if e.Frame == nil {
			continue
		}
		img := image.NewRGBA(image.Rect(0, 0, rep.Clip.Width/scale, rep.Clip.Height/scale))
		for y := range img.Rect.Dy() {
			for x := range img.Rect.Dx() {
				v := grey(x, y)
				img.SetRGBA(x, y, color.RGBA{v, v, v, 255})
			}
		}
		for _, d := range sw.Path {
			if d.Frame == *e.Frame {
				out = append(out, sheet.Still{Event: e.Kind, Frame: img, Scale: scale, Drawn: d})
			}
		}
	}
	return out
}

func language(t tester, code string, u words.Units) words.Lang {
	t.Helper()
	l, err := words.For(code)
	if err != nil {
		t.Fatal(err)
	}
	return l.In(u)
}

func num(v float64) *float64 { return &v }

// full is the fullest page there is: every rule said as a strength, one
// priority, one secondary, changes, notes, all cautions.
func full(t tester) (*pipeline.Report, []sheet.Still, Options) {
	rep, st := load(t, "open_faults")
	sw := rep.Chosen()
	var good []pipeline.Finding
	for _, r := range []string{"hands_start", "finish_hold", "head_after", "head_over_back"} {
		good = append(good, pipeline.Finding{Rule: r, Kind: pipeline.Strength})
	}
	sw.Findings = append(good, sw.Findings...)
	for i := range sw.Findings {
		if sw.Findings[i].Kind == pipeline.Priority {
			sw.Findings[i].Chain = []string{"from_tall_stance", "from_body_sinks", "to_head_ahead"}
		}
	}
	sw.Notes = []string{"Good work today. Slow swings this week.", "Bring the blue bat next time."}
	sw.Palms = &pipeline.Palms{Top: "up", Bottom: "down"}
	rep.Warnings = append(rep.Warnings, pipeline.Warning{Code: "batter_small"}, pipeline.Warning{Code: "low_frame_rate", Detail: "30/s"})
	before := *sw.Measure("eye_drop", pipeline.Stance, pipeline.Contact)
	before.Value, before.Lo, before.Hi = num(12.3), num(10.9), num(13.7)
	lost := pipeline.Measure{Key: "finish_hold", At: pipeline.Finish, Unit: "s"}
	return rep, st, Options{FirstName: "Ada", Date: "2026-05-03", Changes: []pipeline.Change{
		{Before: before, After: *sw.Measure("eye_drop", pipeline.Stance, pipeline.Contact), Day: "2026-04-19", Larger: true},
		{Before: *sw.Measure("front_foot_open", "", pipeline.Plant), After: *sw.Measure("front_foot_open", "", pipeline.Plant), Day: "2026-04-19"},
		{Before: before, After: lost, Day: "2026-04-19"},
	}}
}

var picture = regexp.MustCompile(`data:image/jpeg;base64,[A-Za-z0-9+/=&#;]+`)

func page(t tester, rep *pipeline.Report, st []sheet.Still, l words.Lang, opt Options) string {
	t.Helper()
	b, err := Make(rep, st, l, opt)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestGolden(t *testing.T) {
	for _, c := range []struct {
		name, sample, lang string
		units              words.Units
		full               bool
	}{
		{"open_faults", "open_faults", "en", words.Metric, false},
		{"open_clean", "open_clean", "en", words.Metric, false},
		{"front_left", "front_left", "en", words.Imperial, false},
		{"full", "", "en", words.Imperial, true},
		{"full.es", "", "es", words.Metric, true},
	} {
		var rep *pipeline.Report
		var st []sheet.Still
		var opt Options
		if c.full {
			rep, st, opt = full(t)
		} else {
			rep, st = load(t, c.sample)
		}
		l := language(t, c.lang, c.units)
		got := page(t, rep, st, l, opt)
		if again := page(t, rep, st, l, opt); again != got {
			t.Errorf("%s: two pages of one lesson differ", c.name)
		}
		// Styles and pictures have their own tests.
		got = picture.ReplaceAllString(got, "PICTURE")
		got = regexp.MustCompile(`(?s)<style>.*</style>`).ReplaceAllString(got, "<style></style>")
		got = regexp.MustCompile(`sha256-[A-Za-z0-9+/=&#;]+`).ReplaceAllString(got, "SUM")
		path := filepath.Join("testdata", c.name+".html.golden")
		if *regen {
			if err := os.WriteFile(path, []byte(got), 0o666); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if a, b := strings.Split(got, "\n"), strings.Split(string(want), "\n"); got != string(want) {
			for i := 0; i < len(a) || i < len(b); i++ {
				if i >= len(a) || i >= len(b) || a[i] != b[i] {
					t.Errorf("%s differs from line %d on:\n%s\nwant\n%s", path, i+1, strings.Join(a[i:min(i+3, len(a))], "\n"), strings.Join(b[i:min(i+3, len(b))], "\n"))
					break
				}
			}
		}
	}
}

// The coach's own words come first, then what is good, one thing, then why, and all of it on every
// page in one order.
func TestOrder(t *testing.T) {
	rep, st, opt := full(t)
	got := page(t, rep, st, words.English(), opt)
	at := 0
	for _, id := range []string{"coach", "good", "work", "why", "lower", "stills", "curves", "measures", "doubts", "plan", "since", "glossary"} {
		i := strings.Index(got, `<h2 id="`+id+`"`)
		if i < at {
			t.Errorf("%s stands at %d, before what should precede it", id, i)
		}
		at = i
	}
	if n := strings.Count(got, `class="fix"`); n != 2 { // the fault and its cure
		t.Errorf("%d things stand out", n)
	}
	// Headings go down one level at a time.
	last := 0
	for _, m := range regexp.MustCompile(`<h(\d)`).FindAllStringSubmatch(got, -1) {
		level := int(m[1][0] - '0')
		if level > last+1 {
			t.Errorf("a heading of level %d follows one of level %d", level, last)
		}
		last = level
	}
	for _, tag := range []string{"<header>", "<main>", "<footer>", `<html lang="en">`, "<h1"} {
		if strings.Count(got, tag) != 1 {
			t.Errorf("%d times %s", strings.Count(got, tag), tag)
		}
	}
}

// Pictures are described with their numbers, and so are the curves.
func TestDescriptions(t *testing.T) {
	rep, st := load(t, "open_faults")
	got := page(t, rep, st, words.English(), Options{})
	for _, want := range []string{
		`alt="Contact 0.00 s. Eyes 8 cm lower. Foot somewhere 44–81° open. Head 3–12 cm ahead of back knee."`,
		`alt="Stance −0.95 s. Start 3 cm lower. The lower strip: start here."`,
		"At contact: Eyes 8 cm below the tape.",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("missing: %s", want)
		}
	}
	if a, b := strings.Count(got, "<img "), strings.Count(got, " alt=\""); a != 5 || a != b {
		t.Errorf("%d pictures, %d descriptions", a, b)
	}
}

// One file that asks for nothing: no address, no script, and a policy that
// would stop both. The policy's hash is that of the styles.
func TestNothingFromOutside(t *testing.T) {
	for _, u := range words.Systems {
		rep, st, opt := full(t)
		got := page(t, rep, st, language(t, "en", u), opt)
		bare := picture.ReplaceAllString(got, "data:")
		for _, no := range []string{"http:", "https:", "src=\"//", "url(", "@import", "<script", "<link", "<iframe", "javascript:", " style=", " onload", "ftp:"} {
			if strings.Contains(strings.ToLower(bare), no) {
				t.Errorf("the page holds %q", no)
			}
		}
		css := regexp.MustCompile(`(?s)<style>(.*)</style>`).FindStringSubmatch(got)[1]
		sum := sha256.Sum256([]byte(css))
		policy := html.UnescapeString(regexp.MustCompile(`Content-Security-Policy" content="([^"]*)"`).FindStringSubmatch(got)[1])
		for _, part := range []string{"default-src 'none'", "img-src data:", "style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"} {
			if !slices.Contains(strings.Split(policy, "; "), part) {
				t.Errorf("policy %q lacks %q", policy, part)
			}
		}
	}
}

// Pictures of pure noise are the largest there can be.
func TestSize(t *testing.T) {
	rep, _, opt := full(t)
	seed := uint32(1)
	noise := stills(rep, func(x, y int) uint8 {
		seed = seed*1664525 + 1013904223
		return uint8(seed >> 24)
	})
	if n := len(page(t, rep, noise, words.English(), opt)); n > 1_500_000 {
		t.Errorf("%d bytes", n)
	}
}

// colours of one block of the styles.
func colours(t *testing.T, block string) map[string]color.RGBA {
	t.Helper()
	out := map[string]color.RGBA{}
	for _, m := range regexp.MustCompile(`--(\w+):\s*#([0-9a-f]{6})`).FindAllStringSubmatch(block, -1) {
		var c color.RGBA
		if _, err := fmt.Sscanf(m[2], "%02x%02x%02x", &c.R, &c.G, &c.B); err != nil {
			t.Fatal(err)
		}
		c.A = 255
		out[m[1]] = c
	}
	return out
}

// Every text colour reads on every ground it may lie on, by light, in the dark
// and on paper: 4.5:1 (WCAG 2.1, 1.4.3); lines that mean something 3:1
// (1.4.11).
func TestContrast(t *testing.T) {
	blocks := regexp.MustCompile(`(?s):root \{(.*?)\}`).FindAllStringSubmatch(pageCSS, -1)
	if len(blocks) != 3 {
		t.Fatalf("%d sets of colours", len(blocks))
	}
	for i, b := range blocks {
		c := colours(t, b[1])
		check := func(a, b string, least float64) {
			if _, ok := c[a]; !ok {
				t.Fatalf("set %d has no %s", i, a)
			}
			if r := overlay.Contrast(c[a], c[b]); r < least {
				t.Errorf("set %d: %s on %s: %.2f, want %.1f", i, a, b, r, least)
			}
		}
		for _, text := range []string{"ink", "quiet", "link"} {
			check(text, "paper", 4.5)
			check(text, "card", 4.5)
		}
		check("ontape", "tape", 4.5)
		for _, line := range []string{"pencil", "chalk", "ink"} {
			check(line, "paper", 3)
		}
		check("pencil", "shade", 3)
		check("pencil", "bat", 3)
		check("pencil", "tape", 1.1) // the eyes' line has the tape below it for a while
	}
	// No colour stands anywhere else.
	rest := regexp.MustCompile(`(?s):root \{.*?\}`).ReplaceAllString(pageCSS, "")
	if m := regexp.MustCompile(`#[0-9a-fA-F]{3,8}\b|rgba?\(`).FindString(rest); m != "" {
		t.Errorf("a colour outside of the sets: %s", m)
	}
}

// A label that no table has would be left out without a word.
func TestLabelsExist(t *testing.T) {
	asked := regexp.MustCompile(`\.W "(\w+)"|\b(?:w|say|Page\[|p\[)\(?"(\w+)"`)
	n := 0
	files, err := filepath.Glob("*")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if ext := filepath.Ext(f); ext != ".go" && ext != ".html" || strings.HasSuffix(f, "_test.go") {
			continue
		}
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range asked.FindAllStringSubmatch(string(b), -1) {
			key := m[1] + m[2]
			if strings.HasSuffix(key, "_") { // made of two parts
				continue
			}
			n++
			if words.English().Page[key] == "" {
				t.Errorf("%s asks for %q", f, key)
			}
		}
	}
	if n < 50 {
		t.Errorf("only %d labels found", n)
	}
	for _, l := range append(pipeline.Levels, pipeline.LevelUnknown) {
		if words.English().Page["level_"+string(l)] == "" {
			t.Errorf("no word for level %q", l)
		}
	}
}

// skeleton is a page without its words: tags in their order.
func skeleton(s string) []string {
	s = picture.ReplaceAllString(s, "")
	s = regexp.MustCompile(`(?s)<style>.*</style>`).ReplaceAllString(s, "")
	s = regexp.MustCompile(`(?s)<svg.*</svg>`).ReplaceAllStringFunc(s, func(svg string) string {
		return strings.Join(regexp.MustCompile(`<[^>]*>`).FindAllString(svg, -1), "")
	})
	tags := regexp.MustCompile(`<[^>]*>`).FindAllString(s, -1)
	for i, t := range tags {
		tags[i] = regexp.MustCompile(`(alt|content)="[^"]*"`).ReplaceAllString(t, "$1")
	}
	return tags
}

// inject puts s wherever a text from outside can come from.
func inject(rep *pipeline.Report, opt *Options, s string) {
	sw := rep.Chosen()
	rep.Clip.Name, rep.Clip.ID = s, s
	opt.FirstName, opt.Date = "N"+s, "D"+s
	sw.Notes = []string{s, "x" + s}
	sw.Findings = append([]pipeline.Finding{
		{Rule: "coach", Kind: pipeline.Strength, Text: "g" + s},
		{Rule: "coach", Kind: pipeline.Priority, Text: "p" + s, Chain: []string{"from_" + s, s}},
		{Rule: "coach", Kind: pipeline.Secondary, Text: "t" + s},
		{Rule: "r" + s, Kind: pipeline.CantTell, Evidence: []string{s}},
	}, sw.Findings...)
	rep.Warnings = append(rep.Warnings, pipeline.Warning{Code: "batter_small", Detail: "d" + s}, pipeline.Warning{Code: "c" + s})
	sw.Measures = append(sw.Measures, pipeline.Measure{Key: "k" + s, At: pipeline.EventKind(s), Unit: s, Value: num(1), Lo: num(0), Hi: num(2), Warnings: []string{s}})
	for i := range opt.Changes {
		opt.Changes[i].Day = "y" + s
	}
	if sw.Plan != nil {
		plan := *sw.Plan
		plan.Rule, plan.Care = s, append(slices.Clone(plan.Care), "c"+s)
		plan.Steps = append(slices.Clone(plan.Steps), pipeline.Step{Drill: "d" + s, To: 3, Pass: s, Origin: s})
		sw.Plan = &plan
	}
	rep.Bands = append(rep.Bands, pipeline.Band{Rule: s, Key: "k" + s, At: pipeline.EventKind(s), Unit: s, Max: num(1), Origin: s})
}

// Whatever a name, a note or a code holds, it stays text: the page has the
// same tags as with a harmless one, the clip's name is nowhere, and the paper
// is written too.
func TestHostileNames(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, many swings: nothing for the race detector")
	}
	papers := 0
	make := func(t tester, rep *pipeline.Report, opt Options, s string) (string, []byte) {
		inject(rep, &opt, s)
		l, err := New(rep, nil, words.English(), opt)
		if err != nil {
			t.Fatal(err)
		}
		h, err := l.HTML()
		if err != nil {
			t.Fatal(err)
		}
		if papers++; papers > 14 && papers%25 != 0 { // paper takes its time
			return string(h), nil
		}
		p, err := l.PDF()
		if err != nil {
			t.Fatal(err)
		}
		return string(h), p
	}
	rep, _, opt := full(t)
	plainPage, _ := make(t, rep, opt, "x")
	want := skeleton(plainPage)
	check := func(t tester, s string) {
		rep, _, opt := full(t)
		got, pdf := make(t, rep, opt, s)
		if g := skeleton(got); !slices.Equal(g, want) {
			for i := range g {
				if i >= len(want) || g[i] != want[i] {
					t.Errorf("%q changes tag %d to %s", s, i, g[i])
					break
				}
			}
			t.Errorf("%q: %d tags, want %d", s, len(g), len(want))
		}
		if pdf != nil && !bytes.HasPrefix(pdf, []byte("%PDF-")) {
			t.Errorf("%q: no PDF", s)
		}
	}
	for _, s := range []string{
		`"><script>alert(1)</script>`, `' onerror='x`, `</title></style></svg><img src=x>`, `{{.Lesson}}`, `--><!--`, "a\nb\x00c", "\u202eabc", "Zoë Ñandú", "名前 🙂", `&lt;b&gt;`, "javascript:x", `\`, "%s%d%!",
	} {
		check(t, s)
	}
	bits := rapid.SampledFrom([]string{"<", ">", `"`, "'", "&", "/", "script", "svg", "title", "=", "{{", "}}", "\n", "\x00", "é", "名", "🙂", " ", "x", "%", "\\", "-->", "`", "style"})
	rapid.Check(t, func(t *rapid.T) {
		check(t, strings.Join(rapid.SliceOfN(bits, 1, 12).Draw(t, "name"), ""))
	})
}

func TestClipNameIsNotWritten(t *testing.T) {
	rep, st, opt := full(t)
	rep.Clip.Name = "Ada-Example-swing.mp4"
	l, err := New(rep, st, words.English(), opt)
	if err != nil {
		t.Fatal(err)
	}
	h, _ := l.HTML()
	if strings.Contains(string(h), "Example") {
		t.Error("the clip's name is on the page")
	}
}

// A well-kept validator finds nothing in any of the pages, and does find what
// is wrong in a broken one.
func TestValidHTML(t *testing.T) {
	home := os.Getenv("TAPELINE_HOME")
	if home == "" {
		cache, err := os.UserCacheDir()
		if err != nil {
			t.Skip("no cache folder: ", err)
		}
		home = filepath.Join(cache, "tapeline")
	}
	tool := filepath.Join(home, "validator", "node_modules", ".bin", "html-validate")
	if _, err := os.Stat(tool); err != nil {
		t.Skip("the validator is not there; scripts/setup --dev fetches it")
	}
	if _, err := exec.LookPath("node"); err != nil {
		t.Skip("node is not there; scripts/setup --dev installs it")
	}
	dir := t.TempDir()
	var files []string
	write := func(name, text string) {
		path := filepath.Join(dir, name+".html")
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		files = append(files, path)
	}
	for _, code := range words.Codes() {
		for _, s := range samples {
			rep, st := load(t, s)
			write(code+s, page(t, rep, st, language(t, code, words.Metric), Options{}))
		}
		rep, st, opt := full(t)
		write(code+"full", page(t, rep, st, language(t, code, words.Imperial), opt))
	}
	write("bare", page(t, bare(), nil, words.English(), Options{}))
	rep, _, opt := full(t)
	inject(rep, &opt, `"><b id=good>&`)
	write("hostile", page(t, rep, nil, words.English(), opt))
	validate := func(paths ...string) (string, error) {
		rules, err := filepath.Abs("testdata/validator/rules.json")
		if err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command(tool, append([]string{"--config", rules, "--formatter", "text"}, paths...)...)
		cmd.Dir = dir
		out, err := cmd.CombinedOutput()
		return string(out), err
	}
	if out, err := validate(files...); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
	full, _ := os.ReadFile(files[0])
	write("broken", strings.Replace(regexp.MustCompile(` alt="[^"]*"`).ReplaceAllString(string(full), ""), "</main>", "", 1))
	if out, err := validate(files[len(files)-1]); err == nil || !strings.Contains(out, "alt") {
		t.Errorf("a broken page passes: %v %s", err, out)
	}
}

// bare is a report with as little as there can be.
func bare() *pipeline.Report {
	return &pipeline.Report{Swings: []pipeline.Swing{{Chosen: true}}}
}

func TestLittleToSay(t *testing.T) {
	got := page(t, bare(), nil, words.English(), Options{})
	for _, want := range []string{"Batting lesson", words.English().Page["good_none"], words.English().Cards["no_findings"]} {
		if !strings.Contains(got, want) {
			t.Errorf("missing %q", want)
		}
	}
	for _, no := range []string{"<svg", "<img", `id="plan"`, `id="why"`, `id="lower"`, `id="since"`} {
		if strings.Contains(got, no) {
			t.Errorf("an empty report has %s", no)
		}
	}
	if _, err := Make(&pipeline.Report{}, nil, words.English(), Options{}); !errors.Is(err, overlay.ErrNoSwing) {
		t.Errorf("no swing: %v", err)
	}
	if _, err := PDF(&pipeline.Report{}, nil, words.English(), Options{}); !errors.Is(err, overlay.ErrNoSwing) {
		t.Errorf("no swing on paper: %v", err)
	}
	if _, err := PDF(bare(), nil, words.English(), Options{}); err != nil {
		t.Errorf("an empty report on paper: %v", err)
	}
}

// What is said of a measure's standing is what the findings say.
func TestStanding(t *testing.T) {
	m := pipeline.Measure{Key: "eye_drop", From: pipeline.Stance, At: pipeline.Contact, Unit: "cm"}
	band := pipeline.Band{Rule: "eye_drop", Key: m.Key, From: m.From, At: m.At, Unit: "cm", Max: num(5), Origin: "K"}
	for _, c := range []struct {
		name   string
		v      [3]float64
		unit   string
		kind   string
		band   pipeline.Band
		want   string
		origin string
	}{
		{"inside and silent", [3]float64{4, 3, 5}, "cm", "", band, "fine", ""},
		{"a touch over the edge and silent", [3]float64{4, 3, 5.01}, "cm", "", band, "", ""},
		{"a fault the coach took out", [3]float64{9, 8, 10}, "cm", "", band, "", ""},
		{"praised", [3]float64{4, 3, 5}, "cm", pipeline.Strength, band, "fine", ""},
		{"the priority", [3]float64{9, 8, 10}, "cm", pipeline.Priority, band, "too much", ""},
		{"secondary", [3]float64{9, 8, 10}, "cm", pipeline.Secondary, band, "too much", ""},
		{"at the limit", [3]float64{5, 3, 7}, "cm", pipeline.CantTell, band, "close call", ""},
		{"unsure", [3]float64{3, -4, 10}, "cm", pipeline.CantTell, band, "unsure", ""},
		{"below a least, to work on", [3]float64{-8, -9, -7}, "cm", pipeline.Priority, pipeline.Band{Key: m.Key, From: m.From, At: m.At, Unit: "cm", Min: num(0), Origin: "K"}, "too little", ""},
		{"another unit", [3]float64{2, 1, 3}, "pct_height", "", band, "", ""},
		{"below the least", [3]float64{2, 1, 3}, "cm", "", pipeline.Band{Key: m.Key, From: m.From, At: m.At, Unit: "cm", Min: num(1.5), Origin: "P"}, "", "published"},
		{"the academy's own", [3]float64{2, 1, 3}, "cm", "", pipeline.Band{Key: m.Key, From: m.From, At: m.At, Unit: "cm", Min: num(1), Max: num(3), Origin: "K", Own: true}, "fine", "your coach's own"},
	} {
		m := m
		m.Value, m.Lo, m.Hi, m.Unit = num(c.v[0]), num(c.v[1]), num(c.v[2]), c.unit
		sw := pipeline.Swing{Chosen: true, Measures: []pipeline.Measure{m}}
		if c.kind != "" {
			sw.Findings = []pipeline.Finding{{Rule: "eye_drop", Kind: c.kind, Evidence: []string{"eye_drop@contact"}}}
		}
		l, err := New(&pipeline.Report{Bands: []pipeline.Band{c.band}, Swings: []pipeline.Swing{sw}}, nil, words.English(), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(l.Rows) != 1 || l.Rows[0].Standing != c.want || l.Rows[0].Whose != c.origin {
			t.Errorf("%s: %+v", c.name, l.Rows)
		}
	}
}

func TestLimits(t *testing.T) {
	for _, c := range []struct {
		min, max *float64
		unit     string
		units    words.Units
		want     string
	}{
		{nil, num(5), "cm", words.Metric, "at most 5 cm"},
		{nil, num(5), "cm", words.Imperial, "at most 2 in"},
		{nil, num(3), "cm", words.Imperial, "at most 1.2 in"},
		{num(0.5), nil, "s", words.Metric, "at least 0.5 s"},
		{nil, num(0.2), "ratio", words.Metric, "at most 0.2"},
		{nil, num(30), "deg", words.Imperial, "at most 30°"},
		{num(-5), num(45), "deg", words.Metric, "−5° to 45°"},
		{nil, nil, "deg", words.Metric, ""},
	} {
		l := Lesson{lang: words.English().In(c.units)}
		if got := strings.ReplaceAll(l.lang.Limits(&pipeline.Band{Min: c.min, Max: c.max, Unit: c.unit}), "\u00a0", " "); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
	if got := words.English().Limits(nil); got != "" {
		t.Errorf("no band: %q", got)
	}
}

// Starting lower is advised only where the eyes' fall is a finding.
func TestLower(t *testing.T) {
	rep, _ := load(t, "open_faults")
	l, err := New(rep, nil, words.English(), Options{})
	if err != nil || l.Lower == nil || len(l.Lower.Lines) != 3 {
		t.Fatalf("%v %+v", err, l.Lower)
	}
	told := func() (n int) {
		for _, r := range append(l.Rows, l.More...) {
			for key, m := range words.English().Measures {
				if m.Name == r.Name && (strings.HasPrefix(key, "start_lower") || key == "tape_height") {
					n++
				}
			}
		}
		return n
	}
	if n := told(); n != 6 {
		t.Errorf("%d numbers of it among the measures", n)
	}
	rep.Chosen().Findings = nil
	if l, _ = New(rep, nil, words.English(), Options{}); l.Lower != nil || told() != 0 {
		t.Errorf("advised without a finding: %+v, %d numbers", l.Lower, told())
	}
}

// Without a height there is no length to lay off: no drill asks for one.
func TestPlanWithoutALength(t *testing.T) {
	rep, _ := load(t, "open_faults")
	for i := range rep.Chosen().Measures {
		if m := &rep.Chosen().Measures[i]; m.Unit == "cm" {
			m.Unit = "pct_height"
		}
	}
	rep.Chosen().Geometry.Unit = "pct_height"
	l, err := New(rep, nil, words.English(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(l.Legend) == 0 || l.Legend[len(l.Legend)-1] != l.w("legend_percent") {
		t.Errorf("%q does not say what percent are", l.Legend)
	}
	if s := l.Plan.Steps[0]; l.Lower != nil || s.Name != words.English().Drills["mirror_tape"].Name || strings.Contains(s.SetUp+s.Do, "length") {
		t.Errorf("%+v", s)
	}
}

// The plan on the wall needs no other page: the length to go down stands in it.
func TestPlanHoldsTheLength(t *testing.T) {
	rep, _ := load(t, "open_faults")
	l, err := New(rep, nil, words.English(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if s := l.Plan.Steps[0]; rep.Chosen().Plan.Steps[0].Drill != lowerDrill || !strings.HasSuffix(s.Do, l.Lower.Lead) {
		t.Errorf("%+v", s)
	}
	for i, d := range l.Plan.Days {
		if len(d.Items) != len(rep.Chosen().Plan.Days[i]) {
			t.Errorf("%s has %d things to do, planned are %v", d.Name, len(d.Items), rep.Chosen().Plan.Days[i])
		}
	}
	if want := []string{"Counts of steps 1, 2, 5: common practice.", "Counts of steps 3, 4: as in youth drill guides."}; !slices.Equal(l.Plan.From, want) {
		t.Errorf("%q", l.Plan.From)
	}
}

// The swing's time and the time left add up to the flight.
func TestWhy(t *testing.T) {
	rep, _ := load(t, "open_faults")
	rep.Pitch.Flight = 0.58
	for i := range rep.Chosen().Measures {
		if m := &rep.Chosen().Measures[i]; m.Key == "decision_time" {
			m.Value, m.Lo, m.Hi = num(0.42), num(0.39), num(0.45)
		}
	}
	l, err := New(rep, nil, words.English(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(l.Why) != 2 || len(l.Notes) != 2 {
		t.Fatalf("%q %q", l.Why, l.Notes)
	}
	for _, want := range []string{"0.58\u00a0s", "0.16\u00a0s", "0.42\u00a0±0.03\u00a0s", "65 mph", "middle school"} {
		if !strings.Contains(l.Why[0], want) {
			t.Errorf("%q lacks %q", l.Why[0], want)
		}
	}
	rep.Pitch = nil
	if l, _ = New(rep, nil, words.English(), Options{}); len(l.Why) != 1 {
		t.Errorf("without a pitch: %q", l.Why)
	}
}

// box is what the box on the page says.
func box(l *Lesson) string {
	if l.Focus == nil {
		return l.Head + "|" + l.Rest
	}
	return strings.Join([]string{l.Head, l.Focus.Fix, l.Focus.Say, l.Focus.Cue}, "|")
}

// A swing with nothing to work on says what to keep and how, one in which
// nothing is sure what to film better, and nothing else is made up.
func TestBoxWithoutAFault(t *testing.T) {
	for _, code := range words.Codes() {
		w := language(t, code, words.Metric)
		rep, _ := load(t, "open_clean")
		l, err := New(rep, nil, w, Options{})
		if err != nil {
			t.Fatal(err)
		}
		good := w.Findings["eye_drop"]
		if want := strings.Join([]string{w.Page["keep"], words.Capital(good.Good), w.Cards["unsure"], good.Cue}, "|"); box(l) != want {
			t.Errorf("%s: %q, want %q", code, box(l), want)
		}
		if len(l.Good) != 5 {
			t.Errorf("%s: praised %q", code, l.Good)
		}
		if l.Plan == nil || l.Plan.Title != w.Page["plan_keep"] || l.Plan.Lead != w.Page["ladder_keep"] || l.Plan.Steps[0].Name != w.Drill(rep.Chosen()) {
			t.Errorf("%s: %+v", code, l.Plan)
		}

		rep, _ = load(t, "front_left")
		if l, err = New(rep, nil, w, Options{}); err != nil {
			t.Fatal(err)
		}
		if want := strings.Join([]string{w.Page["film"], words.Capital(w.Help["along_view"]), w.Cards["unsure_all"] + " " + w.Warnings["along_view"], ""}, "|"); box(l) != want {
			t.Errorf("%s: %q, want %q", code, box(l), want)
		}
		if l.Plan != nil || len(l.Good) > 0 {
			t.Errorf("%s: %+v %q", code, l.Plan, l.Good)
		}

		// The coach's own praise is kept without a drill.
		rep.Chosen().Findings = []pipeline.Finding{{Rule: "coach", Kind: pipeline.Strength, Text: "Calm feet."}}
		if l, _ = New(rep, nil, w, Options{}); box(l) != w.Page["keep"]+"|Calm feet.|"+w.Cards["in_band"]+"|" || l.Plan != nil {
			t.Errorf("%s: %q %+v", code, box(l), l.Plan)
		}
		rep.Chosen().Findings = nil
		if l, _ = New(rep, nil, w, Options{}); box(l) != w.Page["work_none"]+"|"+w.Cards["no_findings"] {
			t.Errorf("%s: %q", code, box(l))
		}
	}
}
