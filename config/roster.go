package config

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"net/mail"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"

	"tapeline/pipeline"
)

// Player is one line of the roster.
type Player struct {
	ID        string        // short code, pipeline.PlayerForm
	FirstName string        // empty: never addressed by name
	Bats      pipeline.Side // unknown also for who bats from both sides
	HeightCM  float64       // 0: unknown
	Level     pipeline.Level
	Sport     pipeline.Sport
	Language  string   // of the lesson and its mail; empty: the configured one
	Guardians []string // e-mail addresses
	Film      Consent  // to be filmed and read
	Mail      Consent  // to get the lesson by e-mail
	Line      int      // in the roster's file, from 1
}

// Consent of a guardian, by day; the zero Consent was never given.
type Consent struct {
	Given     time.Time
	Withdrawn time.Time
}

// On tells whether it holds on a day.
func (c Consent) On(day time.Time) bool {
	return !c.Given.IsZero() && !day.Before(c.Given) && (c.Withdrawn.IsZero() || day.Before(c.Withdrawn))
}

// Roster is who may be filmed, by ID in the order of the file.
type Roster struct {
	Players []Player
	byID    map[string]int
}

// Player with that ID.
func (r *Roster) Player(id string) (Player, bool) {
	if i, ok := r.byID[id]; ok {
		return r.Players[i], true
	}
	return Player{}, false
}

// rosterLimit is the largest file taken for a roster, bytes.
const rosterLimit = 8 << 20

// rosterColumns are the columns of a CSV roster and the keys of a YAML one.
var rosterColumns = []string{"id", "first_name", "bats", "height", "level", "sport", "language", "guardian_email",
	"consent_film", "consent_mail", "withdrawn_film", "withdrawn_mail"}

// ReadRoster reads a roster: CSV with a header line (commas, semicolons or
// tabs; with or without byte order mark; any line ends) or, by its ending, YAML
// with a list "players". Only the column id is needed. It is strict; an error is
// one line with file and line: the first slip and how many more there are.
func ReadRoster(path string) (*Roster, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%s: can't be read", path)
	}
	defer f.Close()
	if st, err := f.Stat(); err != nil || !st.Mode().IsRegular() || st.Size() > rosterLimit {
		return nil, fmt.Errorf("%s: is no file that could be a roster", path)
	}
	// Spreadsheets write UTF-8 with a mark, or UTF-16 with one; a workbook of
	// theirs is an archive.
	in := bufio.NewReader(io.LimitReader(f, rosterLimit))
	if head, _ := in.Peek(4); bytes.HasPrefix(head, []byte("PK\x03\x04")) {
		return nil, fmt.Errorf("%s: is a spreadsheet's own file; save it from there as \"CSV UTF-8\"", path)
	}
	b, err := io.ReadAll(transform.NewReader(in, unicode.BOMOverride(transform.Nop)))
	if err != nil {
		return nil, fmt.Errorf("%s: can't be read", path)
	}
	if !utf8.Valid(b) {
		return nil, fmt.Errorf("%s: is not UTF-8; export it as \"CSV UTF-8\"", path)
	}
	var rows []row
	switch strings.ToLower(filepath.Ext(path)) {
	case ".yaml", ".yml":
		rows, err = yamlRows(b)
	default:
		rows, err = csvRows(b)
	}
	if err != nil {
		return nil, fmt.Errorf("%s:%w", path, err)
	}
	r := &Roster{byID: map[string]int{}}
	var slips []error
	for _, w := range rows {
		p, err := w.player()
		if err == nil {
			if i, ok := r.byID[p.ID]; ok {
				err = fmt.Errorf("id: %q stands in line %d already", p.ID, r.Players[i].Line)
			}
		}
		if err != nil {
			slips = append(slips, fmt.Errorf("%s:%d: %w", path, w.line, err))
			continue
		}
		r.byID[p.ID] = len(r.Players)
		r.Players = append(r.Players, p)
	}
	switch {
	case len(slips) == 1:
		return nil, slips[0]
	case len(slips) > 1:
		return nil, fmt.Errorf("%w; and %d more", slips[0], len(slips)-1)
	case len(rows) == 0:
		return nil, fmt.Errorf("%s: names no player", path)
	}
	return r, nil
}

// row is one player as text, by column.
type row struct {
	line  int
	cells map[string]string
}

func csvRows(b []byte) ([]row, error) {
	first, _, _ := bytes.Cut(b, []byte("\n"))
	r := csv.NewReader(bytes.NewReader(b))
	for _, c := range ",;\t" { // whichever the header has most of
		if bytes.Count(first, []byte(string(c))) > bytes.Count(first, []byte(string(r.Comma))) {
			r.Comma = c
		}
	}
	r.TrimLeadingSpace = r.Comma != '\t'
	head, err := r.Read()
	if errors.Is(err, io.EOF) {
		return nil, errors.New("1: is empty")
	}
	if err != nil {
		return nil, csvSlip(err)
	}
	for i, h := range head {
		h = strings.ToLower(strings.TrimSpace(h))
		if head[i] = h; !slices.Contains(rosterColumns, h) {
			return nil, fmt.Errorf("1: %s", Unknown("column", h, rosterColumns))
		}
		if slices.Contains(head[:i], h) {
			return nil, fmt.Errorf("1: the column %q stands twice", h)
		}
	}
	if !slices.Contains(head, "id") {
		return nil, errors.New("1: there is no column \"id\"")
	}
	var rows []row
	for {
		cells, err := r.Read()
		if errors.Is(err, io.EOF) {
			return rows, nil
		}
		if err != nil {
			return nil, csvSlip(err)
		}
		line, _ := r.FieldPos(0)
		w := row{line, map[string]string{}}
		blank := true
		for i, c := range cells {
			w.cells[head[i]] = strings.TrimSpace(c)
			blank = blank && w.cells[head[i]] == ""
		}
		if !blank { // spreadsheets leave empty lines at the end
			rows = append(rows, w)
		}
	}
}

func csvSlip(err error) error {
	var e *csv.ParseError
	if errors.As(err, &e) {
		return fmt.Errorf("%d: %w", e.Line, e.Err)
	}
	return fmt.Errorf("1: %w", err)
}

func yamlRows(b []byte) ([]row, error) {
	var doc yaml.Node
	if err := yaml.Unmarshal(b, &doc); err != nil {
		return nil, errors.New(" " + strings.TrimPrefix(oneLine(err), "yaml: "))
	}
	if len(doc.Content) == 0 {
		return nil, errors.New("1: is empty")
	}
	top := doc.Content[0]
	if top.Kind != yaml.MappingNode || len(top.Content) != 2 || top.Content[0].Value != "players" || top.Content[1].Kind != yaml.SequenceNode {
		return nil, fmt.Errorf("%d: a roster is a list called \"players\"", top.Line)
	}
	var rows []row
	for _, n := range top.Content[1].Content {
		if n.Kind != yaml.MappingNode {
			return nil, fmt.Errorf("%d: a player is a set of keys", n.Line)
		}
		w := row{n.Line, map[string]string{}}
		for i := 0; i+1 < len(n.Content); i += 2 {
			k, v := n.Content[i], n.Content[i+1]
			if !slices.Contains(rosterColumns, k.Value) {
				return nil, fmt.Errorf("%d: %s", k.Line, Unknown("key", k.Value, rosterColumns))
			}
			if _, ok := w.cells[k.Value]; ok {
				return nil, fmt.Errorf("%d: the key %q stands twice", k.Line, k.Value)
			}
			switch {
			case v.Kind == yaml.ScalarNode && v.Tag != "!!null":
				w.cells[k.Value] = strings.TrimSpace(v.Value)
			case v.Kind == yaml.ScalarNode:
				w.cells[k.Value] = ""
			case v.Kind == yaml.SequenceNode && k.Value == "guardian_email":
				var all []string
				for _, m := range v.Content {
					all = append(all, m.Value)
				}
				w.cells[k.Value] = strings.Join(all, " ")
			default:
				return nil, fmt.Errorf("%d: %s: one value, no list", v.Line, k.Value)
			}
		}
		rows = append(rows, w)
	}
	return rows, nil
}

// player checks a row; the error names the column.
func (w row) player() (Player, error) {
	c := w.cells
	p := Player{ID: c["id"], FirstName: c["first_name"], Level: pipeline.Level(c["level"]), Sport: pipeline.Sport(c["sport"]), Language: c["language"], Line: w.line}
	if !pipeline.PlayerForm.MatchString(p.ID) {
		return p, fmt.Errorf("id: %q is no code; small letters, digits, - and _, at most 32", p.ID)
	}
	if !pipeline.IsName(p.FirstName) {
		return p, fmt.Errorf("first_name: %q is no first name", p.FirstName)
	}
	switch b := strings.ToUpper(c["bats"]); b {
	case "", "S":
	case "R", "L":
		p.Bats = pipeline.Side(b)
	default:
		return p, fmt.Errorf("bats: %q is not R, L or S", c["bats"])
	}
	if h := c["height"]; h != "" {
		cm, err := ParseHeight(h)
		if err != nil {
			return p, fmt.Errorf("height: %w", err)
		}
		p.HeightCM = cm
	}
	if p.Level != "" && !slices.Contains(pipeline.Levels, p.Level) {
		return p, fmt.Errorf("level: %s", Unknown("level", c["level"], plain(pipeline.Levels)))
	}
	if p.Sport != "" && !slices.Contains(pipeline.Sports, p.Sport) {
		return p, fmt.Errorf("sport: %s", Unknown("sport", c["sport"], plain(pipeline.Sports)))
	}
	for _, a := range strings.FieldsFunc(c["guardian_email"], func(r rune) bool { return strings.ContainsRune(" \t\n,;|", r) }) {
		at, err := mail.ParseAddress(a)
		if err != nil || at.Address != a {
			return p, fmt.Errorf("guardian_email: %q is no e-mail address", a)
		}
		p.Guardians = append(p.Guardians, a)
	}
	for _, d := range []struct {
		key string
		to  *time.Time
	}{{"consent_film", &p.Film.Given}, {"consent_mail", &p.Mail.Given}, {"withdrawn_film", &p.Film.Withdrawn}, {"withdrawn_mail", &p.Mail.Withdrawn}} {
		if c[d.key] == "" {
			continue
		}
		day, err := time.Parse(time.DateOnly, c[d.key])
		if err != nil {
			return p, fmt.Errorf("%s: %q is not a day; write it like 2026-05-03", d.key, c[d.key])
		}
		*d.to = day
	}
	for i, g := range []Consent{p.Film, p.Mail} {
		if g.Given.IsZero() && !g.Withdrawn.IsZero() {
			return p, fmt.Errorf("withdrawn_%s: there is no consent to withdraw", []string{"film", "mail"}[i])
		}
	}
	return p, nil
}
