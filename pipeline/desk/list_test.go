package desk

import (
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"testing"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

func lessonOf(n int, change func(*Item)) Item {
	frame := 70
	it := Item{ID: fmt.Sprintf("%064x", n), Player: fmt.Sprintf("b%02d", n%7), FirstName: []string{"Ada", "Ben", "Chloé", "Dana", "Eli", "Finn", "Gus"}[n%7], Day: fmt.Sprintf("2026-05-%02d", 1+n%3), State: "done", Lesson: true, Here: true,
		Swing: &pipeline.Swing{Index: 1, Chosen: true,
			Events:   []pipeline.Event{{Kind: pipeline.Contact, T: num(1.2), Lo: num(1.19), Hi: num(1.21), Frame: &frame}},
			Measures: []pipeline.Measure{{Key: "eye_drop", From: pipeline.Stance, At: pipeline.Contact, Unit: "cm", Value: num(8), Lo: num(7), Hi: num(9)}},
			Findings: []pipeline.Finding{{Rule: "eye_drop", Kind: pipeline.Priority}}}}
	if change != nil {
		change(&it)
	}
	return it
}

func shownIDs(v listView) (out []string) {
	for _, l := range v.Look {
		out = append(out, strings.TrimLeft(l.ID, "0"))
	}
	for _, d := range v.Days {
		for _, l := range d.Lessons {
			out = append(out, strings.TrimLeft(l.ID, "0"))
		}
	}
	return out
}

// What needs a look stands on top with the reason; then the newest day first.
func TestLooks(t *testing.T) {
	d := &desk{o: Options{Text: words.English(), Shelf: &shelf{}}}
	unsure := func(i *Item) {
		i.Swing.Findings = []pipeline.Finding{{Rule: "eye_drop", Kind: pipeline.CantTell}}
	}
	for name, c := range map[string]struct {
		change func(*Item)
		want   string // part of the only reason; empty: none
	}{
		"fine":               {nil, ""},
		"failed":             {func(i *Item) { i.State, i.Reason, i.Lesson, i.Swing = "failed", "no_swing", false, nil }, "No swing"},
		"held":               {func(i *Item) { i.State, i.Reason, i.Lesson, i.Swing = "held", "no_consent", false, nil }, "no consent"},
		"wide contact":       {func(i *Item) { i.Swing.Events[0].Lo = num(1.05) }, "hang its peg"},
		"contact at an edge": {func(i *Item) { i.Swing.Events[0].Lo, i.Swing.Events[0].Hi = num(1.16), num(1.25) }, ""},
		"no contact":         {func(i *Item) { i.Swing.Events = nil }, "Contact can't be told"},
		"nothing sure":       {unsure, "Nothing in it is sure"},
		"corrected":          {func(i *Item) { i.Mended = true }, "not made again"},
		"being made":         {func(i *Item) { i.Mended, i.State = true, "running" }, ""},
		"not delivered":      {func(i *Item) { i.Out = Out{State: "out_refused", Why: "No such address."} }, "No such address."},
		"the word failed":    {func(i *Item) { i.Out = Out{State: "out_waits", Why: "Somebody besides.", Asks: true} }, "Somebody besides."},
		"waits":              {func(i *Item) { i.Out = Out{State: "out_waits", Why: "no consent to mail"} }, ""},
	} {
		it := lessonOf(1, c.change)
		l := d.listed(&it)
		if c.want == "" && len(l.Looks) > 0 || c.want != "" && (len(l.Looks) != 1 || !strings.Contains(l.Looks[0], c.want)) {
			t.Errorf("%s: %q, want %q", name, l.Looks, c.want)
		}
	}
	waits := func(i *Item) { i.Out.State = "out_waits" }
	all := []Item{lessonOf(1, waits), lessonOf(2, func(i *Item) { waits(i); unsure(i) }), lessonOf(3, func(i *Item) { waits(i); i.Out.Why = "no consent" }),
		lessonOf(4, func(i *Item) { i.Out.State = "out_sent" }), lessonOf(5, func(i *Item) { waits(i); i.State = "running" }), lessonOf(6, waits)}
	if v, err := d.listOf(t.Context(), all, asked{}, &session{}); err != nil || v.All != "/release?id="+all[5].ID+"&id="+all[0].ID && v.All != "/release?id="+all[0].ID+"&id="+all[5].ID {
		t.Errorf("all that wait for a word alone: %s %v", v.All, err)
	}
	failed := func(i *Item) { i.State, i.Reason, i.Lesson, i.Swing = "failed", "no_swing", false, nil }
	items := []Item{lessonOf(8, failed), lessonOf(1, nil), lessonOf(2, nil), lessonOf(3, unsure), lessonOf(5, nil), lessonOf(4, unsure)}
	v, err := d.listOf(t.Context(), items, asked{}, &session{})
	if err != nil {
		t.Fatal(err)
	}
	got := shownIDs(v)
	if want := []string{"4", "3", "8", "2", "5", "1"}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// From lesson to lesson in the order of the list as it was asked for, past what
// can't be opened, and back to that list at the end.
func TestNext(t *testing.T) {
	h := open(t, "")
	can := func(i *Item) { i.Open = true }
	look := func(i *Item) { i.Open, i.Swing.Events = true, nil }
	// On top 12, 11 and 10 need a look; then 2 and 8 of the third, 1 of the second.
	h.shelf.items = []Item{lessonOf(1, can), lessonOf(4, nil), lessonOf(2, can), lessonOf(8, can), lessonOf(11, look), lessonOf(12, look), lessonOf(10, look)}
	c := h.visitor(t, true)
	c.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	next := func(n int, query string) string {
		t.Helper()
		r, err := c.Get(h.URL + fmt.Sprintf("/lesson/%064x/next?%s", n, query))
		if err != nil {
			t.Fatal(err)
		}
		r.Body.Close()
		if r.StatusCode != http.StatusSeeOther {
			t.Errorf("after %d: %d", n, r.StatusCode)
		}
		return r.Header.Get("Location")
	}
	to := func(n int, query string) string { return fmt.Sprintf("/lesson/%064x?%s", n, query) }
	for _, c := range []struct {
		n           int
		query, want string
	}{
		{11, "", to(10, "rank=2")},
		{10, "", to(12, "rank=2")},
		{12, "", to(8, "rank=0")},
		{8, "", to(2, "rank=0")},
		{2, "", to(1, "rank=0")},
		{1, "", "/"},
		{9, "", "/"},
		{11, "state=look", to(10, "rank=2&state=look")},
		{12, "state=look&page=1", "/?page=1&state=look"},
		{10, "q=ada", "/?q=ada"},
		{8, "player=b01", to(1, "player=b01&rank=0")},
		{8, "day=2026-05-03&rank=0", to(2, "day=2026-05-03&rank=0")},
		{2, "day=2026-05-03&rank=0", "/?day=2026-05-03"},
		// Put right, it no longer needs a look; it stood among those that do.
		{8, "rank=2", to(11, "rank=2")},
	} {
		if got := next(c.n, c.query); got != c.want {
			t.Errorf("after %d of %q: %q, want %q", c.n, c.query, got, c.want)
		}
	}
	// The page itself, and the list, lead there.
	for page, want := range map[string]string{
		"/?state=look": fmt.Sprintf(`href="/lesson/%064x?rank=2&amp;state=look"`, 11),
		"/lesson/" + lessonID + "?q=%22%3E%3Cb%3E&rank=0": `href="/lesson/` + lessonID + `/next?q=%22%3E%3Cb%3E&amp;rank=0"`,
	} {
		r, err := c.Get(h.URL + page)
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(r.Body)
		r.Body.Close()
		if err != nil || !strings.Contains(string(text), want) {
			t.Errorf("%s: no %s", page, want)
		}
	}
}

// The list is filtered and searched before it is sent, fifty a page.
func TestFind(t *testing.T) {
	d := &desk{o: Options{Text: words.English(), Shelf: &shelf{}}}
	var items []Item
	for n := range 140 {
		items = append(items, lessonOf(n+1, func(i *Item) {
			if n == 99 {
				i.State, i.Lesson, i.Swing, i.Reason = "failed", false, nil, "unreadable"
			}
		}))
	}
	for name, c := range map[string]struct {
		a    asked
		want func(*Item) bool
	}{
		"all":            {asked{}, func(*Item) bool { return true }},
		"player":         {asked{Player: "b02"}, func(i *Item) bool { return i.Player == "b02" }},
		"day":            {asked{Day: "2026-05-02"}, func(i *Item) bool { return i.Day == "2026-05-02" }},
		"state":          {asked{State: "failed"}, func(i *Item) bool { return i.State == "failed" }},
		"look":           {asked{State: "look"}, func(i *Item) bool { return i.State == "failed" }},
		"name":           {asked{Text: "chloe"}, func(i *Item) bool { return i.FirstName == "Chloé" }},
		"both words":     {asked{Text: " CHLOÉ 2026-05-03 "}, func(i *Item) bool { return i.FirstName == "Chloé" && i.Day == "2026-05-03" }},
		"what is worked": {asked{Text: "eyes sink"}, func(i *Item) bool { return i.State == "done" }},
		"nothing":        {asked{Text: "zzz"}, func(*Item) bool { return false }},
		"its code":       {asked{Text: items[7].ID[:8], Player: items[7].Player}, func(i *Item) bool { return i.Player == items[7].Player }},
	} {
		want := 0
		for i := range items {
			if c.want(&items[i]) {
				want++
			}
		}
		pages, seen := 0, map[string]bool{}
		for {
			c.a.Page = pages
			v, err := d.listOf(t.Context(), items, c.a, &session{})
			if err != nil {
				t.Fatal(err)
			}
			ids := shownIDs(v)
			if v.Count != want || len(ids) > perPage {
				t.Errorf("%s: %d found, %d on a page; want %d", name, v.Count, len(ids), want)
			}
			for _, id := range ids {
				seen[id] = true
			}
			if pages++; v.After == "" {
				break
			}
		}
		if len(seen) != want || pages != max(1, (want+perPage-1)/perPage) {
			t.Errorf("%s: %d lessons on %d pages, want %d", name, len(seen), pages, want)
		}
	}
}
