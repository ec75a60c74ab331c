package jobs

import (
	"path/filepath"
	"testing"
	"time"
)

// laterConsent lets p001 be filmed at once and p002 from ok on.
type laterConsent struct{ ok bool }

func (c *laterConsent) Known(id string) bool             { return id == "p001" || id == "p002" }
func (c *laterConsent) Film(id string, _ time.Time) bool { return id != "p002" || c.ok }

// A recording that comes again after one of its players was forgotten takes
// nothing from another's cut that still lies there, held.
func TestForgottenAndBack(t *testing.T) {
	work := house(t)
	r := &laterConsent{}
	with := func(o *Options) { o.Roster = r }
	text := "lesson 90\ncard 0 20 p001\ncard 20 90 p002\ncut 5 11 8 one\ncut 25 31 28 two\n"
	drop(t, work, "inbox/l.mov", text)
	if s := once(t, work, with); s.Count(string(Done)) != 1 || s.Count(string(Held)) != 1 {
		t.Fatalf("%+v", s)
	}
	store, err := OpenSQLite(t.Context(), filepath.Join(work, StoreFile))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := store.Forget(t.Context(), "p001", Removal{Work: work, Inboxes: []string{filepath.Join(work, "inbox")}, Known: r.Known}); err != nil {
		t.Fatal(err)
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	drop(t, work, "inbox/l.mov", text)
	once(t, work, with)
	r.ok = true
	if s := once(t, work, with); s.Count(string(Done)) != 1 {
		t.Errorf("%+v", s)
	}
	if store, err = OpenSQLite(t.Context(), filepath.Join(work, StoreFile)); err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	all, err := store.Clips(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, c := range all {
		t.Log(c.Hash[:6], c.Kind, c.Player, c.State, c.Reason, c.Parent[:min(4, len(c.Parent))])
		if c.Player == "p002" && c.Parent != "" && c.State == Done {
			n++
		}
	}
	if n != 1 {
		t.Errorf("%d lessons of p002", n)
	}
}
