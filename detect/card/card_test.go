package card

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"path/filepath"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"tapeline/pipeline"
	"tapeline/pipeline/clip"
)

func TestSpans(t *testing.T) {
	for _, tc := range []struct {
		name string
		seen []Sighting
		want []Span
	}{
		{"none", nil, nil},
		{"one", []Sighting{{5, "b07"}, {5.25, "b07"}}, []Span{{5, 60, "b07", nil}}},
		{"two", []Sighting{{5, "b07"}, {30, "b12"}}, []Span{{5, 30, "b07", nil}, {30, 60, "b12", nil}}},
		{"shown again", []Sighting{{5, "b07"}, {30, "b07"}}, []Span{{5, 60, "b07", nil}}},
		{"a slip", []Sighting{{5, "b07"}, {6.5, "b12"}}, []Span{{5, 60, "", []string{"b07", "b12"}}}},
		{"a slip put right", []Sighting{{5, "b07"}, {6.5, "b12"}, {9, "b12"}}, []Span{{5, 9, "", []string{"b07", "b12"}}, {9, 60, "b12", nil}}},
		{"both in one picture", []Sighting{{5, "b12"}, {5, "b07"}}, []Span{{5, 60, "", []string{"b07", "b12"}}}},
		{"just far enough", []Sighting{{5, "b07"}, {7, "b12"}}, []Span{{5, 7, "b07", nil}, {7, 60, "b12", nil}}},
		{"out of order", []Sighting{{30, "b12"}, {5, "b07"}}, []Span{{5, 30, "b07", nil}, {30, 60, "b12", nil}}},
	} {
		got := Spans(tc.seen, 60)
		if len(got)+len(tc.want) > 0 && !reflect.DeepEqual(got, tc.want) {
			t.Errorf("%s: %+v, want %+v", tc.name, got, tc.want)
		}
	}
	if _, ok := At(Spans([]Sighting{{5, "b07"}}, 60), 4); ok {
		t.Error("somebody owns what comes before the first card")
	}
}

// Spans follow each other without a gap, and every card lies in one that
// names it.
func TestSpansProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seen := rapid.SliceOf(rapid.Custom(func(t *rapid.T) Sighting {
			return Sighting{rapid.Float64Range(0, 40).Draw(t, "t"), rapid.SampledFrom([]string{"a", "b", "c"}).Draw(t, "id")}
		})).Draw(t, "seen")
		spans := Spans(seen, 40)
		for i, s := range spans {
			if s.To < s.From || i > 0 && spans[i-1].To != s.From || (s.Player == "") != (len(s.Of) > 1) {
				t.Fatalf("%+v", spans)
			}
		}
		for _, s := range seen {
			in, ok := At(spans, s.T)
			named := in.Player == s.ID
			for _, o := range in.Of {
				named = named || o == s.ID
			}
			if !ok || !named {
				t.Fatalf("%+v isn't in %+v", s, spans)
			}
		}
	})
}

// How often a card is read in a single picture of 960 pixels; the bar is what
// must hold, and a coach shows it for four of them.
func TestHowOftenRead(t *testing.T) {
	const each = 8
	grounds := []*pipeline.Frame{still(t, "../../samples/open_faults.mp4", Side, 0), still(t, "../../samples/front_left.mp4", Side, 0)}
	r := NewReader()
	defer r.Close()
	rng := rand.New(rand.NewPCG(1, 2))
	for _, tc := range []struct {
		width, tilt, blur, dim float64
		least                  int
	}{
		{.4, 0, 1.5, 1, 8}, {.4, 50, 1.5, 1, 7},
		{.25, 35, 1.5, 1, 7}, {.25, 50, 1, .25, 7},
		{1. / 6, 0, 1, 1, 8}, {1. / 6, 35, 1, 1, 7}, {1. / 6, 35, 1, .25, 6}, {1. / 6, 50, 1, 1, 3},
	} {
		read := 0
		for k := range each {
			s := shot{id: fmt.Sprintf("b%02d", k), width: tc.width, blur: tc.blur, noise: 3, light: tc.dim * (.6 + .4*rng.Float64()),
				roll: 60*rng.Float64() - 30, cx: .4 + .2*rng.Float64(), cy: .4 + .2*rng.Float64()}
			s.yaw, s.pitch = tc.tilt, 5
			if k%4 > 1 {
				s.yaw, s.pitch = 5, -tc.tilt
			}
			ids, err := r.Read(film(t, grounds[k%2], s, rng))
			if err != nil {
				t.Fatal(err)
			}
			if len(ids) == 1 && ids[0] == s.id {
				read++
			} else if len(ids) != 0 {
				t.Errorf("%s was read as %v", s.id, ids)
			}
		}
		t.Logf("%.2f wide, tilted %2.0f°, blurred %.1f px, light %.2f: %d of %d", tc.width, tc.tilt, tc.blur, tc.dim, read, each)
		if read < tc.least {
			t.Errorf("only %d read, want %d", read, tc.least)
		}
	}
}

// Other people's codes and other marks of ours aren't cards.
func TestNoCard(t *testing.T) {
	ground := still(t, "../../samples/open_faults.mp4", Side, 0)
	r := NewReader()
	defer r.Close()
	for _, text := range []string{"https://example.org", "tapeline:", "tapeline:Ada Smith", "tapeline:B07", "b07", "TAPELINE:b07"} {
		ids, err := r.Read(lay(t, ground, text, shot{width: .3, light: 1}, rand.New(rand.NewPCG(1, 1))))
		if err != nil || len(ids) != 0 {
			t.Errorf("%q: %v %v", text, ids, err)
		}
	}
	if _, err := r.Read(&pipeline.Frame{Width: 4, Height: 4, Pix: make([]byte, 5)}); err == nil {
		t.Error("a frame without its pixels")
	}
}

// Two cards in one picture are two players.
func TestTwoCards(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	f := still(t, "../../samples/open_faults.mp4", Side, 0)
	for i, id := range []string{"b07", "c-1"} {
		f = film(t, f, shot{id: id, width: .2, light: 1, cx: .3 + .4*float64(i), cy: .5}, rng)
	}
	r := NewReader()
	defer r.Close()
	if ids, err := r.Read(f); err != nil || !reflect.DeepEqual(ids, []string{"b07", "c-1"}) {
		t.Errorf("%v %v", ids, err)
	}
}

// The clips that are shipped show no card.
func TestNoFalseCard(t *testing.T) {
	paths, _ := filepath.Glob("../../samples/*.mp4")
	if len(paths) == 0 {
		t.Fatal("no samples")
	}
	for _, p := range paths {
		if seen := find(t, p); len(seen) != 0 {
			t.Errorf("%s: %v", p, seen)
		}
	}
}

func find(t *testing.T, path string) []Sighting {
	t.Helper()
	ctx := context.Background()
	c, err := clip.Probe(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	src, err := clip.Open(ctx, c, clip.Options{MaxSide: Side, Rate: Rate})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	seen, err := Find(ctx, src)
	if err != nil {
		t.Fatal(err)
	}
	return seen
}

// frames is a source of pictures made beforehand.
type frames []*pipeline.Frame

func (s *frames) Next() (*pipeline.Frame, error) {
	if len(*s) == 0 {
		return nil, io.EOF
	}
	f := (*s)[0]
	*s = (*s)[1:]
	return f, nil
}
func (s *frames) Close() error { return nil }

func TestFind(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	ground := still(t, "../../samples/front_left.mp4", Side, 0)
	var s frames
	for i := range 8 {
		f := *ground
		if i == 3 || i == 4 {
			f = *film(t, ground, shot{id: "b07", width: .4, light: 1}, rng)
		}
		f.PTS = float64(i) / Rate
		s = append(s, &f)
	}
	seen, err := Find(context.Background(), &s)
	if want := []Sighting{{.75, "b07"}, {1, "b07"}}; err != nil || !reflect.DeepEqual(seen, want) {
		t.Errorf("%v %v, want %v", seen, err, want)
	}
}
