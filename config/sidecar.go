package config

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"tapeline/pipeline"
)

// Sidecar is what a file beside the clip says of it: CLIP.yaml beside
// CLIP.mov. Every key may be left out. The words are those of the flags of
// "tapeline read".
type Sidecar struct {
	Player   string  `yaml:"player,omitempty"`
	Name     string  `yaml:"name,omitempty"`
	Date     string  `yaml:"date,omitempty"` // 2006-01-02
	Bats     string  `yaml:"bats,omitempty"`
	View     string  `yaml:"view,omitempty"`
	Height   string  `yaml:"height,omitempty"`
	Level    string  `yaml:"level,omitempty"`
	Sport    string  `yaml:"sport,omitempty"`
	Distance string  `yaml:"distance,omitempty"`
	Batter   string  `yaml:"batter,omitempty"`
	Marker   string  `yaml:"marker,omitempty"`
	Scale    string  `yaml:"scale,omitempty"`
	Swing    int     `yaml:"swing,omitempty"`
	Capture  float64 `yaml:"capture,omitempty"`
	// Players are whose the parts of a recording of more than a minute are.
	Players []SidecarPart `yaml:"players,omitempty"`
	// Times are corrected moments, presentation seconds, by phase.
	Times map[string]float64 `yaml:"times,omitempty"`
	// Points are corrected places in decoded frames.
	Points []SidecarPoint `yaml:"points,omitempty"`
	Palms  struct {
		Top    string `yaml:"top,omitempty"`
		Bottom string `yaml:"bottom,omitempty"`
	} `yaml:"palms,omitempty"`
	Notes    []string `yaml:"notes,omitempty"`
	Findings struct {
		Drop []string       `yaml:"drop,omitempty"`
		Add  []SidecarAdded `yaml:"add,omitempty"`
		// First are rules whose findings go before the others of their kind, each
		// "coach" among them the next of Add; Say are findings that stay, in the
		// coach's own words.
		First []string      `yaml:"first,omitempty"`
		Say   []SidecarSaid `yaml:"say,omitempty"`
	} `yaml:"findings,omitempty"`
}

// SidecarPart is a part of a recording that is one player's: From and To as
// seconds, m:ss or h:mm:ss; without them from its first picture, to its last.
type SidecarPart struct {
	From string `yaml:"from,omitempty"`
	To   string `yaml:"to,omitempty"`
	ID   string `yaml:"id"`
}

// Seconds are From and To of a part that has been read; to is 0 for the end.
func (p SidecarPart) Seconds() (from, to float64) {
	from, _ = seconds(p.From)
	to, _ = seconds(p.To)
	return from, to
}

var clockForm = regexp.MustCompile(`^(?:(\d{1,2}):)?(\d{1,2}):(\d{2}(?:\.\d+)?)$`)

// seconds reads 90, 1:30 or 0:01:30; nothing is 0.
func seconds(s string) (float64, bool) {
	if s == "" {
		return 0, true
	}
	if m := clockForm.FindStringSubmatch(s); m != nil {
		hour, _ := strconv.ParseFloat(cmp.Or(m[1], "0"), 64)
		minute, _ := strconv.ParseFloat(m[2], 64)
		second, _ := strconv.ParseFloat(m[3], 64)
		return 3600*hour + 60*minute + second, second < 60 && (m[1] == "" || minute < 60)
	}
	v, err := strconv.ParseFloat(s, 64)
	return v, err == nil && v >= 0 && v < 1e6
}

// parts checks whose the parts of a recording are.
func (s Sidecar) parts() error {
	type span struct {
		i        int
		from, to float64
	}
	var all []span
	for i, p := range s.Players {
		at := fmt.Sprintf("players[%d]", i)
		from, ok := seconds(p.From)
		to, fine := seconds(p.To)
		switch {
		case !ok:
			return fmt.Errorf("%s.from: %q is no time in a recording; write seconds, m:ss or h:mm:ss", at, p.From)
		case !fine:
			return fmt.Errorf("%s.to: %q is no time in a recording; write seconds, m:ss or h:mm:ss", at, p.To)
		case !pipeline.PlayerForm.MatchString(p.ID):
			return fmt.Errorf("%s.id: %q is no player's code; small letters, digits, - and _", at, p.ID)
		case p.To == "":
			to = math.Inf(1)
		}
		if to <= from {
			return fmt.Errorf("%s: it ends at %s, before it begins", at, p.To)
		}
		all = append(all, span{i, from, to})
	}
	slices.SortFunc(all, func(a, b span) int { return cmp.Compare(a.from, b.from) })
	for i := 1; i < len(all); i++ {
		if a, b := all[i-1], all[i]; b.from < a.to {
			return fmt.Errorf("players[%d] and players[%d] overlap", min(a.i, b.i), max(a.i, b.i))
		}
	}
	return nil
}

// SidecarPoint puts one part of the body right: At is x, y in pixels of the
// displayed picture, Frame the decoded frame from 0.
type SidecarPoint struct {
	Part  string     `yaml:"part"`
	Frame int        `yaml:"frame"`
	At    [2]float64 `yaml:"at,flow"`
}

// SidecarAdded is a finding in the coach's own words.
type SidecarAdded struct {
	Kind string `yaml:"kind"`
	Text string `yaml:"text"`
}

// SidecarSaid is a rule's finding of a kind in the coach's own words.
type SidecarSaid struct {
	Rule string `yaml:"rule"`
	Kind string `yaml:"kind"`
	Text string `yaml:"text"`
}

var ruleForm = regexp.MustCompile(`^[a-z][a-z0-9_]*$`)

// sidecarLimit is the largest file that is taken for a sidecar, bytes.
const sidecarLimit = 1 << 18

// Longest text a coach may add, runes, and how many of each list.
const (
	longestText = 500
	longestList = 100
)

// SidecarPath is where the sidecar of a clip would lie.
func SidecarPath(clip string) string {
	return strings.TrimSuffix(clip, filepath.Ext(clip)) + ".yaml"
}

// ReadSidecar reads a sidecar strictly. No file is no error and an empty
// Sidecar. Errors are one line and name the key, not the file.
func ReadSidecar(path string) (Sidecar, error) {
	var s Sidecar
	f, err := os.Open(path)
	if errors.Is(err, os.ErrNotExist) {
		return s, nil
	}
	if err != nil {
		return s, errors.New("can't be read")
	}
	defer f.Close()
	if st, err := f.Stat(); err != nil || !st.Mode().IsRegular() {
		return s, errors.New("is no file")
	}
	b, err := io.ReadAll(io.LimitReader(f, sidecarLimit+1))
	if err != nil {
		return s, errors.New("can't be read")
	}
	return ParseSidecar(b)
}

// ParseSidecar reads the bytes of a sidecar as ReadSidecar does. JSON is YAML.
func ParseSidecar(b []byte) (Sidecar, error) {
	var s Sidecar
	if len(b) > sidecarLimit {
		return s, errors.New("is too large for notes on a clip")
	}
	d := yaml.NewDecoder(bytes.NewReader(b))
	d.KnownFields(true)
	if err := d.Decode(&s); err != nil && !errors.Is(err, io.EOF) {
		// yaml speaks of Go types; the user of keys.
		return s, errors.New(yamlKeys(strings.NewReplacer("yaml: ", "", "unmarshal errors: ", "").Replace(oneLine(err)), s))
	}
	if err := d.Decode(new(Sidecar)); !errors.Is(err, io.EOF) {
		return s, errors.New("holds more than one document")
	}
	return s, s.validate()
}

// Bytes are those of a sidecar that ParseSidecar reads back as s, but for space
// around its texts. What says nothing is left out; an error names the key that no sidecar may have so.
func (s Sidecar) Bytes() ([]byte, error) {
	if err := s.validate(); err != nil {
		return nil, err
	}
	if reflect.DeepEqual(s, Sidecar{}) {
		return nil, nil
	}
	b, err := yaml.Marshal(s.trimmed())
	if err == nil && len(b) > sidecarLimit {
		err = errors.New("is too large for notes on a clip")
	}
	return b, err
}

// Over are the bytes of the sidecar, written over those of an older one: where
// that says the same it stays as it is; else what stays keeps its place and the
// comments that somebody wrote to it.
func (s Sidecar) Over(old []byte) ([]byte, error) {
	b, err := s.Bytes()
	if err != nil || len(b) == 0 {
		return b, err
	}
	want, err := ParseSidecar(b)
	if err != nil {
		return nil, err
	}
	if was, err := ParseSidecar(old); err == nil && reflect.DeepEqual(was, want) {
		return old, nil
	}
	var was, now yaml.Node
	if yaml.Unmarshal(old, &was) != nil || yaml.Unmarshal(b, &now) != nil || was.Kind != yaml.DocumentNode {
		return b, nil
	}
	was.Content[0] = laid(was.Content[0], now.Content[0])
	out, err := yaml.Marshal(&was)
	if err != nil || len(out) > sidecarLimit {
		return b, nil
	}
	if got, err := ParseSidecar(out); err != nil || !reflect.DeepEqual(got, want) {
		return b, nil // no comment is worth a wrong word
	}
	return out, nil
}

// laid is what now says in the form and with the comments of was.
func laid(was, now *yaml.Node) *yaml.Node {
	out := *was
	switch {
	case was.Kind != now.Kind || was.Kind == yaml.ScalarNode && !alike(was, now):
		out = *now
		out.HeadComment, out.LineComment, out.FootComment = was.HeadComment, was.LineComment, was.FootComment
	case was.Kind == yaml.MappingNode:
		out.Content = nil
		told := map[string]bool{}
		value := func(n *yaml.Node, key string) *yaml.Node {
			for i := 0; i+1 < len(n.Content); i += 2 {
				if n.Content[i].Value == key {
					return n.Content[i+1]
				}
			}
			return nil
		}
		for i := 0; i+1 < len(was.Content); i += 2 {
			if k := was.Content[i]; value(now, k.Value) != nil {
				told[k.Value] = true
				out.Content = append(out.Content, k, laid(was.Content[i+1], value(now, k.Value)))
			}
		}
		for i := 0; i+1 < len(now.Content); i += 2 {
			if !told[now.Content[i].Value] {
				out.Content = append(out.Content, now.Content[i], now.Content[i+1])
			}
		}
	case was.Kind == yaml.SequenceNode:
		out.Content = nil
		left := slices.Clone(was.Content)
		for _, n := range now.Content {
			if i := slices.IndexFunc(left, func(o *yaml.Node) bool { return alike(o, n) }); i >= 0 {
				n = left[i]
				left = slices.Delete(left, i, i+1)
			}
			out.Content = append(out.Content, n)
		}
	}
	return &out
}

// alike tells whether two nodes say the same.
func alike(a, b *yaml.Node) bool {
	var x, y any
	return a.Decode(&x) == nil && b.Decode(&y) == nil && reflect.DeepEqual(x, y)
}

// trimmed is the sidecar without space around its texts: the library can't read
// back every text that begins with an empty line.
func (s Sidecar) trimmed() Sidecar {
	s.Notes, s.Findings.Add, s.Findings.Say = slices.Clone(s.Notes), slices.Clone(s.Findings.Add), slices.Clone(s.Findings.Say)
	for i := range s.Notes {
		s.Notes[i] = strings.TrimSpace(s.Notes[i])
	}
	for i := range s.Findings.Add {
		s.Findings.Add[i].Text = strings.TrimSpace(s.Findings.Add[i].Text)
	}
	for i := range s.Findings.Say {
		s.Findings.Say[i].Text = strings.TrimSpace(s.Findings.Say[i].Text)
	}
	return s
}

// JSON is the sidecar as an object with the same keys.
func (s Sidecar) JSON() ([]byte, error) {
	b, err := yaml.Marshal(s.trimmed())
	if err != nil {
		return nil, err
	}
	m := map[string]any{}
	if err := yaml.Unmarshal(b, &m); err != nil {
		return nil, err
	}
	return json.Marshal(m)
}

func (s Sidecar) validate() error {
	if s.Player != "" && !pipeline.PlayerForm.MatchString(s.Player) {
		return fmt.Errorf("player: %q is no player's code; small letters, digits, - and _", s.Player)
	}
	if !pipeline.IsName(s.Name) {
		return fmt.Errorf("name: %q is no first name", s.Name)
	}
	if _, err := time.Parse(time.DateOnly, s.Date); s.Date != "" && err != nil {
		return fmt.Errorf("date: %q is not a day; write it like 2026-05-03", s.Date)
	}
	if s.Level != "" && !slices.Contains(pipeline.Levels, pipeline.Level(s.Level)) {
		return fmt.Errorf("level: %q is not one of %v", s.Level, pipeline.Levels)
	}
	if s.Sport != "" && !slices.Contains(pipeline.Sports, pipeline.Sport(s.Sport)) {
		return fmt.Errorf("sport: %q is not one of %v", s.Sport, pipeline.Sports)
	}
	if s.Swing < 0 {
		return fmt.Errorf("swing: %d; swings count from 1", s.Swing)
	}
	if !(s.Capture >= 0 && s.Capture <= 10000) {
		return fmt.Errorf("capture: %g frames a second is no camera", s.Capture)
	}
	if err := s.parts(); err != nil {
		return err
	}
	for k, t := range s.Times {
		if !slices.Contains(pipeline.EventKinds, pipeline.EventKind(k)) {
			return fmt.Errorf("times.%s: no such phase; there are %v", k, pipeline.EventKinds)
		}
		if !(t >= 0) || math.IsInf(t, 0) {
			return fmt.Errorf("times.%s: %g is no time in the clip", k, t)
		}
	}
	for i, p := range s.Points {
		at := fmt.Sprintf("points[%d]", i)
		switch {
		case !slices.Contains(pipeline.Parts, p.Part):
			return fmt.Errorf("%s.part: %q is not one of %s", at, p.Part, strings.Join(pipeline.Parts, ", "))
		case p.Frame < 0:
			return fmt.Errorf("%s.frame: %d; frames count from 0", at, p.Frame)
		case !(p.At[0] >= 0 && p.At[0] < 1e5 && p.At[1] >= 0 && p.At[1] < 1e5):
			return fmt.Errorf("%s.at: %g, %g is no place in a picture", at, p.At[0], p.At[1])
		}
	}
	for k, v := range map[string]string{"top": s.Palms.Top, "bottom": s.Palms.Bottom} {
		if v != "" && v != "up" && v != "down" {
			return fmt.Errorf("palms.%s: %q is neither up nor down", k, v)
		}
	}
	for i, n := range s.Notes {
		if err := said(n); err != nil {
			return fmt.Errorf("notes[%d]: %w", i, err)
		}
	}
	for i, a := range s.Findings.Add {
		at := fmt.Sprintf("findings.add[%d]", i)
		if !slices.Contains([]string{pipeline.Strength, pipeline.Priority, pipeline.Secondary}, a.Kind) {
			return fmt.Errorf("%s.kind: %q is not strength, priority or secondary", at, a.Kind)
		}
		if err := said(a.Text); err != nil {
			return fmt.Errorf("%s.text: %w", at, err)
		}
	}
	for i, a := range s.Findings.Say {
		at := fmt.Sprintf("findings.say[%d]", i)
		switch {
		case !ruleForm.MatchString(a.Rule):
			return fmt.Errorf("%s.rule: %q is no rule's name", at, a.Rule)
		case !slices.Contains([]string{pipeline.Strength, pipeline.Priority, pipeline.Secondary}, a.Kind):
			return fmt.Errorf("%s.kind: %q is not strength, priority or secondary", at, a.Kind)
		}
		if err := said(a.Text); err != nil {
			return fmt.Errorf("%s.text: %w", at, err)
		}
	}
	for i, r := range s.Findings.First {
		if !ruleForm.MatchString(r) {
			return fmt.Errorf("findings.first[%d]: %q is no rule's name", i, r)
		}
	}
	for i, r := range s.Findings.Drop {
		if !ruleForm.MatchString(r) { // which rules there are, an academy chooses
			return fmt.Errorf("findings.drop[%d]: %q is no rule's name", i, r)
		}
	}
	for k, n := range map[string]int{"points": len(s.Points), "players": len(s.Players), "notes": len(s.Notes), "findings.add": len(s.Findings.Add),
		"findings.say": len(s.Findings.Say), "findings.first": len(s.Findings.First), "findings.drop": len(s.Findings.Drop)} {
		if n > longestList {
			return fmt.Errorf("%s: more than %d", k, longestList)
		}
	}
	return nil
}

// said checks what will be printed.
func said(s string) error {
	switch {
	case strings.TrimSpace(s) == "":
		return errors.New("says nothing")
	case len([]rune(s)) > longestText:
		return fmt.Errorf("is longer than %d characters", longestText)
	case strings.ContainsFunc(s, func(r rune) bool { return r < ' ' && r != '\n' }):
		return errors.New("holds characters that can't be printed")
	}
	return nil
}

// Coach is what the sidecar sets by hand; nil when it sets nothing.
func (s Sidecar) Coach() *pipeline.Coach {
	var c pipeline.Coach
	for _, k := range pipeline.EventKinds { // in their order, whatever the map's
		if t, ok := s.Times[string(k)]; ok {
			c.Times = append(c.Times, pipeline.Timed{Event: k, T: t})
		}
	}
	for _, p := range s.Points {
		c.Points = append(c.Points, pipeline.Placed{Part: p.Part, Frame: p.Frame, At: pipeline.Point{X: p.At[0], Y: p.At[1]}})
	}
	if s.Palms.Top != "" || s.Palms.Bottom != "" {
		c.Palms = &pipeline.Palms{Top: s.Palms.Top, Bottom: s.Palms.Bottom}
	}
	c.Notes, c.Drop = s.Notes, s.Findings.Drop
	for _, a := range s.Findings.Add {
		c.Add = append(c.Add, pipeline.Added(a))
	}
	c.First = s.Findings.First
	for _, a := range s.Findings.Say {
		c.Say = append(c.Say, pipeline.Said(a))
	}
	if reflect.DeepEqual(c, pipeline.Coach{}) {
		return nil
	}
	return &c
}
