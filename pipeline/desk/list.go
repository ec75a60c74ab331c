package desk

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"golang.org/x/text/runes"
	"golang.org/x/text/transform"
	"golang.org/x/text/unicode/norm"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// perPage is how many lessons a page of the list has.
const perPage = 50

// longContact is how far apart the bounds of contact lie, seconds, that a coach
// should look at: three pictures of a phone's usual 30 a second. Common
// practice, no source.
const longContact = .1

// listed is one lesson of the list.
type listed struct {
	Item
	Title    string
	Date     string
	What     string // state
	Looks    []string
	Numbers  []number
	First    string // what to work on
	Sure     string
	Going    string // on its way to the family
	GoingWhy string
	Link     string // to its page, which knows by it what the list was asked for
	search   string
}

type number struct{ Name, Value, Standing string }

type listView struct {
	frameView
	Days    []dayOf
	Look    []listed
	Players []choice
	Dates   []choice
	States  []choice
	Asked   asked
	Count   int
	Total   int
	Said    string
	Before  string
	After   string
	All     string // address of the release of all on this page that may wait for a word alone
}

type dayOf struct {
	Date    string
	Lessons []listed
}

// asked is what the list was asked for.
type asked struct {
	Text, Player, Day, State string
	Page                     int
}

func askedOf(q url.Values) asked {
	a := asked{Text: q.Get("q"), Player: q.Get("player"), Day: q.Get("day"), State: q.Get("state")}
	a.Page, _ = strconv.Atoi(q.Get("page"))
	return a
}

// query are the values of askedOf.
func (a asked) query() url.Values {
	q := url.Values{}
	for k, s := range map[string]string{"q": a.Text, "player": a.Player, "day": a.Day, "state": a.State} {
		if s != "" {
			q.Set(k, s)
		}
	}
	if a.Page > 0 {
		q.Set("page", strconv.Itoa(a.Page))
	}
	return q
}

// list is the address of the list.
func (a asked) list() string {
	if q := a.query(); len(q) > 0 {
		return "/?" + q.Encode()
	}
	return "/"
}

// lesson is the address of a lesson of the list, with the rank it has there: it
// may have another one when the coach goes on to the next.
func (a asked) lesson(it *listed) string {
	q := a.query()
	q.Set("rank", strconv.Itoa(it.rank()))
	return "/lesson/" + it.ID + "?" + q.Encode()
}

// holds tells whether a lesson is one of those that are asked for; find are the
// words of the text.
func (a asked) holds(it *listed, find []string) bool {
	switch {
	case a.Player != "" && it.Player != a.Player, a.Day != "" && it.Day != a.Day:
		return false
	case a.State == "look" && len(it.Looks) == 0, a.State != "" && a.State != "look" && a.State != it.State && a.State != it.Out.State:
		return false
	case len(find) == 0:
		return true
	}
	text := folded(it.search)
	return !slices.ContainsFunc(find, func(w string) bool { return !strings.Contains(text, w) })
}

func (a asked) words() []string { return strings.Fields(folded(a.Text)) }

func (d *desk) list(w http.ResponseWriter, r *http.Request, s *session) {
	items, err := d.o.Shelf.Items(r.Context())
	if err != nil {
		d.wrong(w, r, err)
		return
	}
	v, err := d.listOf(r.Context(), items, askedOf(r.URL.Query()), s)
	if err != nil {
		d.wrong(w, r, err)
		return
	}
	d.page(w, r, "list.html", v)
}

func (d *desk) listOf(ctx context.Context, items []Item, a asked, s *session) (listView, error) {
	v := listView{frameView: d.frameOf(s, d.w("title")), Asked: a, Total: len(items)}
	all := make([]listed, len(items))
	players, days, states := map[string]string{}, map[string]string{}, map[string]string{}
	for i := range items {
		all[i] = d.listed(&items[i])
		it := &all[i]
		if it.Player != "" {
			players[it.Player] = it.who()
		}
		days[it.Day] = it.Date
		states[it.State] = d.o.Text.Work[it.State]
		if it.Out.State != "" {
			states[it.Out.State] = d.w(it.Out.State)
		}
	}
	v.Players, v.Dates, v.States = sorted(players, false), sorted(days, true), sorted(states, false)
	v.States = append([]choice{{"look", d.w("look")}}, v.States...)
	find := a.words()
	all = slices.DeleteFunc(all, func(it listed) bool { return !a.holds(&it, find) })
	inOrder(all)
	v.Count = len(all)
	v.Said = fmt.Sprintf(d.w("of"), v.Count, v.Total)
	last := max(0, (len(all)-1)/perPage)
	at := min(max(a.Page, 0), last)
	on := func(n int) string { b := a; b.Page = n; return b.list() }
	if at > 0 {
		v.Before = on(at - 1)
	}
	if at < last {
		v.After = on(at + 1)
	}
	page := all[at*perPage : min(len(all), (at+1)*perPage)]
	var fill []*Item
	for i := range page {
		if page[i].Lesson && page[i].Swing != nil {
			fill = append(fill, &page[i].Item)
		}
	}
	if err := d.o.Shelf.Fill(ctx, fill); err != nil {
		return v, err
	}
	for i := range page {
		d.numbers(&page[i])
		page[i].Link = a.lesson(&page[i])
	}
	ready := url.Values{}
	for _, it := range page {
		if it.Lesson && it.State == "done" && len(it.Looks) == 0 && it.Out.State == "out_waits" && it.Out.Why == "" {
			ready.Add("id", it.ID)
		}
		if len(it.Looks) > 0 {
			v.Look = append(v.Look, it)
			continue
		}
		if n := len(v.Days); n == 0 || v.Days[n-1].Date != it.Date {
			v.Days = append(v.Days, dayOf{Date: it.Date})
		}
		day := &v.Days[len(v.Days)-1]
		day.Lessons = append(day.Lessons, it)
	}
	if len(ready) > 0 {
		v.All = "/release?" + ready.Encode()
	}
	return v, nil
}

// rank is higher the earlier a lesson stands: what needs a look is on top, of
// that what can be mended at the desk first.
func (it *listed) rank() int {
	switch {
	case len(it.Looks) == 0:
		return 0
	case !it.Lesson:
		return 1
	}
	return 2
}

// order of two lessons of these ranks in the list: by rank, then the newest day.
func order(a, b *listed, rankA, rankB int) int {
	return cmp.Or(rankB-rankA, strings.Compare(b.Day, a.Day), strings.Compare(a.Player, b.Player), strings.Compare(a.ID, b.ID))
}

func inOrder(all []listed) {
	slices.SortFunc(all, func(a, b listed) int { return order(&a, &b, a.rank(), b.rank()) })
}

// next leads to the lesson that stands behind one in the list as it was asked
// for, and to that list where there is none. The one that is left stands where it
// stood when it was opened: what was put right in it may have moved it.
func (d *desk) next(w http.ResponseWriter, r *http.Request, _ *session) {
	id, a := r.PathValue("id"), askedOf(r.URL.Query())
	items, err := d.o.Shelf.Items(r.Context())
	if err != nil {
		d.wrong(w, r, err)
		return
	}
	var left *listed
	var all []listed
	find := a.words()
	for i := range items {
		switch it := d.listed(&items[i]); {
		case it.ID == id:
			left = &it
		case it.Open && a.holds(&it, find):
			all = append(all, it)
		}
	}
	inOrder(all)
	to := a.list()
	if left != nil {
		rank, err := strconv.Atoi(r.URL.Query().Get("rank"))
		if err != nil {
			rank = left.rank()
		}
		if n := slices.IndexFunc(all, func(it listed) bool { return order(left, &it, rank, it.rank()) < 0 }); n >= 0 {
			to = a.lesson(&all[n])
		}
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

func sorted(m map[string]string, down bool) (out []choice) {
	for k, n := range m {
		if k != "" {
			out = append(out, choice{k, n})
		}
	}
	slices.SortFunc(out, func(a, b choice) int {
		if down {
			return strings.Compare(b.Value, a.Value)
		}
		return strings.Compare(a.Name, b.Name)
	})
	return out
}

// folded is text as it is compared: small letters, without accents.
func folded(s string) string {
	if !strings.ContainsFunc(s, func(r rune) bool { return r > unicode.MaxASCII }) {
		return strings.ToLower(s) // nothing to take off
	}
	t, _, err := transform.String(transform.Chain(norm.NFD, runes.Remove(runes.In(unicode.Mn))), s)
	if err != nil {
		t = s
	}
	return strings.ToLower(t)
}

func (it *listed) who() string {
	if it.FirstName == "" {
		return it.Player
	}
	return it.FirstName + " (" + it.Player + ")"
}

// listed puts an item into words.
func (d *desk) listed(i *Item) listed {
	text := d.o.Text
	it := listed{Item: *i, What: d.state(i), Date: text.Date(i.Day)}
	it.Title = it.who()
	if it.Title == "" {
		it.Title = d.w("nobody")
	}
	switch i.State {
	case "failed", "unplaced", "held":
		it.Looks = append(it.Looks, text.Why(i.Reason, "")) // what it was in detail stands below
	}
	if i.Lesson && i.Swing != nil {
		d.findings(&it)
	}
	if i.Mended && i.State == "done" {
		it.Looks = append(it.Looks, d.w("look_mended"))
		if i.Reason != "" {
			it.Looks = append(it.Looks, text.Why(i.Reason, i.Detail))
		}
	}
	if i.Out.State != "" {
		it.Going, it.GoingWhy = d.w(i.Out.State), i.Out.Why
		switch {
		case i.Out.Asks:
			it.Looks = append(it.Looks, i.Out.Why)
		case i.Out.State == "out_refused", i.Out.State == "out_unsure":
			it.Looks = append(it.Looks, strings.TrimSpace(it.Going+". "+i.Out.Why))
		}
	}
	it.search = strings.Join([]string{i.Player, i.FirstName, i.File, i.Detail, i.Day, it.Date, i.ID[:min(8, len(i.ID))], it.What, it.First, it.Going, strings.Join(it.Looks, " ")}, " ")
	return it
}

// findings says what is found in a lesson and what is doubtful of it.
func (d *desk) findings(it *listed) {
	text, sw := d.o.Text, it.Swing
	e := sw.Event(pipeline.Contact)
	switch {
	case e == nil || e.T == nil:
		it.Looks = append(it.Looks, d.w("look_no_contact"))
	case e.Lo != nil && e.Hi != nil && *e.Hi-*e.Lo > longContact:
		it.Looks = append(it.Looks, d.w("look_contact"))
	}
	said := false
	for _, f := range sw.Findings {
		if f.Kind == pipeline.CantTell {
			continue
		}
		said = true
		if f.Kind == pipeline.Priority && it.First == "" {
			it.First = text.Fix(f, 12)
		}
	}
	if !said {
		it.Looks = append(it.Looks, d.w("look_unsure"))
	}
}

// numbers are the headline measures.
func (d *desk) numbers(it *listed) {
	if it.Swing == nil {
		return
	}
	text, sw := d.o.Text, it.Swing
	surely, told := 0, 0
	for i := range sw.Measures {
		m := &sw.Measures[i]
		b := band(it.Bands, m)
		it.Numbers = append(it.Numbers, number{text.MeasureName(m), text.Against(m, b), text.Verdict(m, b)})
		if told++; m.Value != nil && !words.Vague(m) {
			surely++
		}
	}
	it.Sure = fmt.Sprintf(d.w("sure"), surely, told)
}

func band(bands []pipeline.Band, m *pipeline.Measure) *pipeline.Band {
	for i := range bands {
		if b := &bands[i]; b.Key == m.Key && b.From == m.From && b.At == m.At {
			return b
		}
	}
	return nil
}

// mostPicked is how many lessons are let go at once.
const mostPicked = 500

type familiesView struct {
	frameView
	Families []familyOf
	Going    int
	IDs      []string
}

type familyOf struct {
	Family
	Title, Date, Gets string
	Named             string // what the coach says with a tick
}

// picked are the lessons of a request; false: the answer is given.
func picked(w http.ResponseWriter, of url.Values) ([]string, bool) {
	ids := of["id"]
	slices.Sort(ids)
	ids = slices.Compact(ids)
	for _, id := range ids {
		if !idForm.MatchString(id) {
			refuse(w, http.StatusBadRequest)
			return nil, false
		}
	}
	if len(ids) > mostPicked {
		refuse(w, http.StatusBadRequest)
		return nil, false
	}
	return ids, true
}

// families shows who would get what, before anything is let go.
func (d *desk) families(w http.ResponseWriter, r *http.Request, s *session) {
	ids, ok := picked(w, r.URL.Query())
	if !ok {
		return
	}
	if len(ids) == 0 {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	all, err := d.o.Shelf.Families(r.Context(), ids)
	if err != nil {
		d.sorry(w, r, s, err)
		return
	}
	v := familiesView{frameView: d.frameOf(s, d.w("release_title")), IDs: ids}
	for _, f := range all {
		it := listed{Item: Item{Player: f.Player, FirstName: f.FirstName}}
		o := familyOf{Family: f, Title: it.who(), Date: d.o.Text.Date(f.Day), Gets: strings.Join(f.To, ", ")}
		if f.Why == "" && f.OtherSide == "" {
			v.Going++
		}
		if f.OtherSide != "" {
			o.Named = fmt.Sprintf(d.w("named"), o.Title)
		}
		v.Families = append(v.Families, o)
	}
	d.page(w, r, "release.html", v)
}

func (d *desk) release(w http.ResponseWriter, r *http.Request, s *session) {
	r.Body = http.MaxBytesReader(w, r.Body, notesLimit)
	if err := r.ParseForm(); err != nil {
		d.wrong(w, r, err)
		return
	}
	ids, ok := picked(w, r.PostForm)
	if !ok {
		return
	}
	var err error
	switch r.PostForm.Get("do") {
	case "release":
		word := Word{Who: s.who, Others: r.PostForm.Get("others"), NewAddress: r.PostForm.Get("new_address") != "", Again: r.PostForm.Get("again") != "", Named: r.PostForm["named"]}
		if word.Others != "" && word.Others != "blur" && word.Others != "allow" {
			refuse(w, http.StatusBadRequest)
			return
		}
		err = d.o.Shelf.Release(r.Context(), ids, word)
	case "hold":
		err = d.o.Shelf.Hold(r.Context(), ids, s.who)
	default:
		refuse(w, http.StatusBadRequest)
		return
	}
	if err != nil {
		d.sorry(w, r, s, err)
		return
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// sorry is wrong for what a person sees: a page that says what is the matter.
func (d *desk) sorry(w http.ResponseWriter, r *http.Request, s *session, err error) {
	what := told(err, "")
	if what == "" {
		d.wrong(w, r, err)
		return
	}
	b, err := render("sorry.html", struct {
		frameView
		What string
	}{d.frameOf(s, d.w("sorry")), what})
	if err != nil {
		d.wrong(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(http.StatusUnprocessableEntity)
	_, _ = w.Write(b)
}
