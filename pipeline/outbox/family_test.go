package outbox

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tapeline/pipeline/deliver/smtptest"
	"tapeline/pipeline/ledger"
)

// person is a child as the world knows it, whatever code the roster gives it.
type person struct {
	name      string
	guardians []string // all addresses that ever were its family's
}

// Nobody receives another family's lesson, whatever is done to roster, codes,
// names, addresses and clips while lessons wait and go.
func TestFamilies(t *testing.T) {
	if f := flag.Lookup("rapid.checks"); f.Value.String() == f.DefValue && os.Getenv("FAULTS")+os.Getenv("RAPID_CHECKS") == "" { // scripts/soak does more
		checks := "40"
		if testing.Short() {
			checks = "8"
		}
		_ = f.Value.Set(checks)
		defer f.Value.Set(f.DefValue)
	}
	server := smtptest.New(t)
	lessons, delivered, stopped := 0, 0, 0
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp("", "families")
		if err != nil {
			t.Fatal(err)
		}
		defer os.RemoveAll(dir)
		h := newHouse(t, dir, server.Port())
		defer h.book.Close()
		h.o.Auto = rapid.Bool().Draw(t, "auto")
		began := len(server.Received())
		looked := began
		o := New(h.o)

		// Few names and few households: siblings, parents of two families,
		// children who share a first name, children without one.
		names := []string{"Ada", "Ben", ""}
		var people []*person
		codes := []string{"a01", "b02", "c03", "d04"}
		holder := map[string]*person{}
		now := map[*person][]string{} // addresses in the roster now
		write := func() {             // the roster says what the world is
			for id, p := range holder {
				h.family(id, p.name, now[p]...)
			}
		}
		born := func(id string) {
			home := rapid.IntRange(0, 2).Draw(t, "home")
			p := &person{name: rapid.SampledFrom(names).Draw(t, "name"), guardians: []string{fmt.Sprintf("home%d-%d@example.org", home, len(people))}}
			if rapid.Bool().Draw(t, "shared") { // one parent of several children
				p.guardians = append(p.guardians, fmt.Sprintf("parent%d@example.org", home))
			}
			people = append(people, p)
			holder[id], now[p] = p, slices.Clone(p.guardians)
		}
		for _, id := range codes {
			born(id)
		}
		write()
		films := map[string]*person{} // clip → who is in it
		var made []ledger.Lesson
		n := 0
		film := func(id string) {
			n++
			l := h.lesson(id, fmt.Sprint(dir, n))
			films[l.Clip], made = holder[id], append(made, l)
		}
		for _, id := range codes[:2] {
			film(id)
		}
		t.Repeat(map[string]func(*rapid.T){
			"film": func(t *rapid.T) { film(rapid.SampledFrom(codes).Draw(t, "code")) },
			"clip moved to another folder": func(t *rapid.T) {
				if len(made) == 0 {
					t.Skip()
				}
				i := rapid.IntRange(0, len(made)-1).Draw(t, "which")
				id := rapid.SampledFrom(codes).Draw(t, "to")
				// It was the other child's: so says who moves it.
				p := holder[id]
				r, err := h.book.Record(t.Context(), ledger.Entry{Player: id, Name: p.name, Guardians: now[p], Folder: made[i].Folder, Report: certain(made[i].Clip), At: h.now})
				if err != nil {
					t.Fatal(err)
				}
				made[i] = r.Lesson
				films[made[i].Clip] = p
			},
			"codes swapped": func(t *rapid.T) {
				a, b := rapid.SampledFrom(codes).Draw(t, "a"), rapid.SampledFrom(codes).Draw(t, "b")
				holder[a], holder[b] = holder[b], holder[a]
				write()
			},
			"code given to another child": func(t *rapid.T) {
				born(rapid.SampledFrom(codes).Draw(t, "code"))
				write()
			},
			"renamed": func(t *rapid.T) {
				holder[rapid.SampledFrom(codes).Draw(t, "code")].name = rapid.SampledFrom(names).Draw(t, "name")
				write()
			},
			"new address": func(t *rapid.T) {
				p := holder[rapid.SampledFrom(codes).Draw(t, "code")]
				a := fmt.Sprintf("new%d-%p@example.org", len(p.guardians), p)
				p.guardians = append(p.guardians, a)
				now[p] = []string{a}
				write()
			},
			"release": func(t *rapid.T) {
				if len(made) == 0 {
					t.Skip()
				}
				for _, l := range made { // as the ledger has them, as --all does
					_, _ = h.release(o, l, Word{Again: rapid.Bool().Draw(t, "again")})
				}
			},
			"rule": func(t *rapid.T) { _, _ = o.Prepare(t.Context()) },
			"hold": func(t *rapid.T) {
				if len(made) > 0 {
					_ = o.Hold(t.Context(), made[len(made)-1:])
				}
			},
			"send": func(t *rapid.T) { h.send(o); h.pass(time.Minute) },
			"the roster changes while it goes": func(t *rapid.T) {
				a, b := rapid.SampledFrom(codes).Draw(t, "a"), rapid.SampledFrom(codes).Draw(t, "b")
				for _, l := range made {
					_, _ = h.release(o, l, Word{})
				}
				hook = func(stage string) {
					if stage == "begun" {
						hook = func(string) {}
						holder[a], holder[b] = holder[b], holder[a]
						write()
					}
				}
				h.send(o)
				hook = func(string) {}
			},
			"": func(t *rapid.T) {
				all := server.Received()
				for _, m := range all[looked:] { // as the world was when they left
					_, rest, _ := strings.Cut(string(m.Raw), "clip=")
					p := films[rest[:64]]
					if p == nil {
						t.Fatalf("a lesson of nobody left")
					}
					for _, to := range m.To {
						if !slices.Contains(p.guardians, to) {
							t.Fatalf("%s, no guardian of that child, got the lesson", to)
						}
					}
				}
				looked = len(all)
			},
		})
		lessons += len(made)
		delivered += len(server.Received()) - began
		all, err := h.book.Releases(t.Context(), "")
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range all {
			if r.State == ledger.Stopped {
				stopped++
			}
		}
	})
	t.Logf("%d lessons, %d messages, %d releases stopped", lessons, delivered, stopped)
	if !testing.Short() && (delivered == 0 || stopped == 0) {
		t.Error("nothing was tried")
	}
}
