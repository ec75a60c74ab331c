package overlay

import (
	"fmt"
	"math"

	"tapeline/pipeline"
	"tapeline/pipeline/words"
)

// Look turns what was judged of one swing into marks. It is made once a swing
// and only read afterwards.
type Look struct {
	swing    *pipeline.Swing
	text     words.Lang
	contact  *float64
	factor   float64
	height   float64 // of the batter, key frame pixels
	foot     float64 // foot length, units of the geometry
	dim      float64 // x of the eyes' dimension line
	dimRoom  float64
	footSide int
	footX    float64
	footRoom float64
	tape     Tape
	lower    *Lower      // where a lower start is advised
	byFrame  map[int]int // index in Path
	body     []Span      // around the batter, smoothed over time, by Path index
	reach    []Span      // where the bat may be at tape level
	standing map[string]Standing
	rep      *pipeline.Report // whose bands they are held against
}

// Statures of Drillis & Contini (in Winter, Biomechanics and Motor Control of
// Human Movement): foot length. A bat is at most 42 in long (Official Baseball
// Rules 3.02); about half the batter's height holds what a batter really swings.
const (
	footOfHeight  = 0.152
	batOfHeight   = 0.48
	eyesOfHeight  = 0.86 // in a batting stance, knees bent; common practice, no source
	breakSmoothed = 0.15 // seconds
)

// NewLook prepares the marks of one swing of a clip.
func NewLook(rep *pipeline.Report, sw *pipeline.Swing, text words.Lang) *Look {
	g := sw.Geometry
	l := &Look{swing: sw, rep: rep, text: text, factor: rep.Clip.TimeFactor, byFrame: map[int]int{}}
	if l.factor <= 0 {
		l.factor = 1
	}
	if e := sw.Event(pipeline.Contact); e != nil {
		l.contact = e.T
	}
	l.height = math.Max(1, (g.GroundY-g.EyeLevel.Y)/eyesOfHeight)
	stature := 100.0
	if g.Unit == "cm" {
		stature = l.height / math.Max(1e-6, g.FeetPx)
		if rep.Batter.HeightCM != nil {
			stature = *rep.Batter.HeightCM
		}
	}
	l.foot = footOfHeight * stature
	l.standing = standings(sw)
	for i := range sw.Path {
		l.byFrame[sw.Path[i].Frame] = i
	}
	l.gaps()
	l.place(float64(rep.Clip.Width))
	l.second()
	return l
}

// standings reads off the findings which measures are inside or outside their
// bands; the bands themselves are not known here.
func standings(sw *pipeline.Swing) map[string]Standing {
	out := map[string]Standing{}
	for _, f := range sw.Findings {
		s := map[string]Standing{
			pipeline.Strength: Inside, pipeline.Priority: Outside,
			pipeline.Secondary: Outside, pipeline.CantTell: CantTell,
		}[f.Kind]
		for _, e := range f.Evidence {
			if _, ok := out[e]; !ok {
				out[e] = s
			}
		}
	}
	return out
}

// gaps finds where the tape opens at every frame: a little wider than the
// body, and slow enough not to flicker.
func (l *Look) gaps() {
	path := l.swing.Path
	n := len(path)
	raw, bat := make([]Span, n), make([]Span, n)
	m := l.height * 0.05
	for i, d := range path {
		raw[i] = Span{math.Min(d.Box[0], d.Eyes.X) - m, math.Max(d.Box[2], d.Eyes.X) + m}
		r := l.height * batOfHeight
		dy := d.Hands.Y - l.swing.Geometry.EyeLevel.Y
		half := math.Sqrt(math.Max(0, r*r-dy*dy))
		bat[i] = Span{math.Min(raw[i].Lo, d.Hands.X-half), math.Max(raw[i].Hi, d.Hands.X+half)}
	}
	l.body, l.reach = soften(path, raw), soften(path, bat)
}

// soften widens every span to the widest around it, then averages.
func soften(path []pipeline.Drawn, in []Span) []Span {
	near := func(i int, f func(j int)) {
		for j := i; j >= 0 && path[i].T-path[j].T <= breakSmoothed; j-- {
			if path[j].Seen {
				f(j)
			}
		}
		for j := i + 1; j < len(path) && path[j].T-path[i].T <= breakSmoothed; j++ {
			if path[j].Seen {
				f(j)
			}
		}
	}
	wide := append([]Span(nil), in...)
	for i := range in {
		near(i, func(j int) {
			wide[i] = Span{math.Min(wide[i].Lo, in[j].Lo), math.Max(wide[i].Hi, in[j].Hi)}
		})
	}
	out := append([]Span(nil), wide...)
	for i := range wide {
		var s Span
		n := 0.0
		near(i, func(j int) { s.Lo, s.Hi, n = s.Lo+wide[j].Lo, s.Hi+wide[j].Hi, n+1 })
		if n > 0 {
			out[i] = Span{s.Lo / n, s.Hi / n}
		}
	}
	return out
}

// place decides once for the swing on which side of the batter values hang,
// so that nothing jumps from side to side.
func (l *Look) place(width float64) {
	g := l.swing.Geometry
	all := Span{math.Inf(1), math.Inf(-1)}
	for i, d := range l.swing.Path {
		if d.Seen {
			all = Span{math.Min(all.Lo, l.body[i].Lo), math.Max(all.Hi, l.body[i].Hi)}
		}
	}
	if math.IsInf(all.Lo, 0) {
		all = Span{g.EyeLevel.X - l.height*0.25, g.EyeLevel.X + l.height*0.25}
	}
	// Away from where bat and ball meet: toward the catcher side-on, away
	// from the plate from the front or the rear.
	toward := g.GroundX.X
	if math.Abs(g.GroundZ.X) > math.Abs(toward) {
		toward = g.GroundZ.X
	}
	left, right := all.Lo-width*0.05, width*0.95-all.Hi
	side := -1.0
	if toward < 0 {
		side = 1
	}
	need := width * 0.14
	if side < 0 && left < need && right > left || side > 0 && right < need && left > right {
		side = -side
	}
	room := left
	if side > 0 {
		room = right
	}
	gap := clamp(room*0.3, l.height*0.02, l.height*0.3)
	if side < 0 {
		l.dim = all.Lo - gap
	} else {
		l.dim = all.Hi + gap
	}
	l.dim = clamp(l.dim, width*0.04, width*0.96)
	l.dimRoom = math.Max(room-gap, width*0.1)
	l.footSide = int(-side)
	if l.footSide > 0 {
		l.footX, l.footRoom = all.Hi, right
	} else {
		l.footX, l.footRoom = all.Lo, left
	}

	l.tape = Tape{X: Span{width * 0.02, width * 0.98}, Y: g.EyeLevel.Y, Alpha: 1, plate: &tapePlate{}}
}

// second hangs the tape of the lower start, where one is advised.
func (l *Look) second() {
	m := l.swing.Lower()
	g := l.swing.Geometry
	if m == nil || m.Unit != g.Unit {
		return
	}
	t := l.tape
	t.Y, t.Under, t.plate = g.EyeLevel.Y+*m.Value*g.EyesPx, true, &tapePlate{}
	l.lower = &Lower{Tape: t, From: g.EyeLevel.Y, Dim: l.dim}
}

// Lower is the tape of the lower start; nil where none is advised.
func (l *Look) Lower(d *pipeline.Drawn) *Lower {
	if l.lower == nil {
		return nil
	}
	out := *l.lower
	if i, ok := l.byFrame[d.Frame]; ok {
		out.Body, out.Reach = l.body[i], l.reach[i]
	}
	return &out
}

// Ring is the sticker on the helmet; nil where there is none.
func (l *Look) Ring(d *pipeline.Drawn) *Ring {
	if d.Marker == nil {
		return nil
	}
	return &Ring{At: *d.Marker, R: l.height * 0.02, Alpha: 1}
}

// sureHeight is the half width up to which the eyes' height above the ground is
// worth printing: a coach's tape hangs about as exactly. Common practice, no
// source.
var sureHeight = map[string]float64{"cm": 5, "pct_height": 3}

// eyeHeight is the height of the tape above the ground; nil where it is so
// doubtful that only the tape itself should be shown.
func eyeHeight(sw *pipeline.Swing) *pipeline.Measure {
	m := sw.Measure("eye_height", "", pipeline.Stance)
	if m == nil || m.Value == nil || m.Lo == nil || m.Hi == nil || (*m.Hi-*m.Lo)/2 > sureHeight[m.Unit] {
		return nil
	}
	return m
}

// Print puts the eye height on the tape, and how much lower to start on the
// second one: on the side away from the pencil's values, then on the other, in
// the longest form that stays clear of batter and bat; nothing where nothing
// fits. width measures text in full-size pixels of the clip, safe is the part
// of the clip that text may lie in.
func (l *Look) Print(width func(string) float64, safe Span) {
	var forms []string
	if m := eyeHeight(l.swing); m != nil {
		v := l.text.Value(m)
		forms = []string{fmt.Sprintf(l.text.Cards["eye_height"], v), v, l.text.Short(*m.Value, m.Unit, 0)}
	}
	forms = append(forms, l.text.Cards["eye_level"])
	busy := Span{math.Inf(1), math.Inf(-1)}
	for i, d := range l.swing.Path {
		if d.Seen {
			busy = Span{math.Min(busy.Lo, l.reach[i].Lo), math.Max(busy.Hi, l.reach[i].Hi)}
		}
	}
	l.tape.print(forms, busy, safe, l.dim > l.swing.Geometry.EyeLevel.X, width)
	if l.lower == nil {
		return
	}
	// The second tape hangs in the stance only, where nothing moves.
	if e := l.swing.Event(pipeline.Stance); e != nil && e.Frame != nil {
		if i, ok := l.byFrame[*e.Frame]; ok {
			busy = l.reach[i]
		}
	}
	m := l.swing.Lower()
	l.lower.print([]string{l.text.Lower(m), l.text.Lay(m)}, busy, safe, l.dim > l.swing.Geometry.EyeLevel.X, width)
	// Under the first tape's print, as far as there is room.
	half, free := width(l.lower.Label)/2, Span{busy.Hi, safe.Hi}
	if l.lower.LabelX < busy.Lo {
		free = Span{safe.Lo, busy.Lo}
	}
	if l.lower.Label != "" && l.tape.Label != "" && free.Hi-free.Lo >= 2*half {
		l.lower.LabelX = clamp(l.tape.LabelX, free.Lo+half, free.Hi-half)
	}
}

// print writes the first of the forms that has room beside busy, left of it
// first if left is set.
func (t *Tape) print(forms []string, busy, safe Span, left bool, width func(string) float64) {
	sides := []Span{{busy.Hi, safe.Hi}, {safe.Lo, busy.Lo}}
	if left {
		sides[0], sides[1] = sides[1], sides[0]
	}
	for _, f := range forms {
		for _, s := range sides {
			if w := width(f); s.Hi-s.Lo >= w*1.08 {
				t.Label, t.LabelX = f, (s.Lo+s.Hi)/2
				return
			}
		}
	}
}

// Drawn of a decoded frame; nil where the batter was not seen.
func (l *Look) Drawn(frame int) *pipeline.Drawn {
	i, ok := l.byFrame[frame]
	if !ok || !l.swing.Path[i].Seen {
		return nil
	}
	return &l.swing.Path[i]
}

func (l *Look) at(key string, from, at pipeline.EventKind) (*pipeline.Measure, Standing) {
	m := l.swing.Measure(key, from, at)
	s := l.standing[key+"@"+string(at)]
	if m != nil && m.Value == nil {
		s = CantTell
	}
	return m, s
}

// Tape is the stance's eye level on this frame.
func (l *Look) Tape(d *pipeline.Drawn) Tape {
	t := l.tape
	if i, ok := l.byFrame[d.Frame]; ok {
		t.Body, t.Reach = l.body[i], l.reach[i]
	}
	return t
}

// EyeLine is the eyes of this moment against the tape. At an event the value
// is the measure's; between events it is the frame's own.
func (l *Look) EyeLine(d *pipeline.Drawn, at pipeline.EventKind, valued bool) EyeLine {
	e := EyeLine{Eyes: d.Eyes, Level: l.swing.Geometry.EyeLevel.Y, Dim: l.dim, Alpha: 1}
	if i, ok := l.byFrame[d.Frame]; ok {
		e.Body = l.body[i]
	}
	side := -1
	if l.dim > d.Eyes.X {
		side = 1
	}
	if !valued {
		return e
	}
	unit := l.swing.Geometry.Unit
	e.Label = Label{Text: l.text.Doubtful(d.Drop, d.DropDoubt, unit), Side: side, Room: l.dimRoom}
	if m, s := l.at("eye_drop", pipeline.Stance, at); m != nil {
		e.Label.Text = l.text.Against(m, l.rep.Band(m))
		e.Label.Standing, e.Label.Note = s, l.note(m, s)
		if m.Value == nil {
			e.Label.Note, e.Doubted = "", true
		}
	}
	return e
}

// Foot is the chalk around the front foot of this moment; nil when nothing is
// known of its turn. Its label appears only at an event that has the measure.
func (l *Look) Foot(d *pipeline.Drawn, at pipeline.EventKind, valued bool) *Foot {
	if d.Open == nil && (d.OpenLo == nil || d.OpenHi == nil) {
		return nil
	}
	g := l.swing.Geometry
	k := l.foot
	f := &Foot{
		Heel: d.HeelFront, Alpha: 1, Open: d.Open, Lo: d.OpenLo, Hi: d.OpenHi,
		X: pipeline.Point{X: g.GroundX.X * k, Y: g.GroundX.Y * k},
		Z: pipeline.Point{X: g.GroundZ.X * k, Y: g.GroundZ.Y * k},
	}
	if m, s := l.at("front_foot_open", "", at); m != nil && valued {
		f.Label = Label{Text: l.text.Against(m, l.rep.Band(m)), Side: l.footSide, Room: l.footRoom, Standing: s, Note: l.note(m, s)}
		if m.Value == nil {
			f.Label.Note = ""
		}
	}
	return f
}

// Plumb is the cord through the back knee of this moment; nil where the camera
// looks along the line home→pitcher, so that no offset could be seen.
func (l *Look) Plumb(d *pipeline.Drawn, at pipeline.EventKind, valued bool) *Plumb {
	g := l.swing.Geometry
	if math.Abs(g.GroundX.X) < 0.5*g.FeetPx {
		return nil
	}
	p := &Plumb{
		Top: pipeline.Point{X: d.KneeBack.X, Y: d.Head.Y}, Knee: d.KneeBack, Eyes: d.Eyes, Alpha: 1,
		Bob:    pipeline.Point{X: d.KneeBack.X, Y: math.Max(d.ToeBack.Y, d.HeelBack.Y)},
		Offset: math.Min(d.Head.Y, d.Eyes.Y) - l.height*0.13,
	}
	if l.contact != nil {
		m, _ := l.at("head_over_back", "", pipeline.Contact)
		p.Doubted = m == nil || m.Value == nil
	}
	if m, s := l.at("head_over_back", "", at); m != nil && m.Value != nil && valued && !p.Doubted {
		if r, rs := l.at("head_over_back_ratio", "", at); r != nil && rs != Plain {
			s = rs
		}
		p.Label = Label{Text: l.text.Against(m, l.rep.Band(m)), Room: l.height, Standing: s, Note: l.note(m, s)}
	}
	return p
}

// note is the word under a value.
func (l *Look) note(m *pipeline.Measure, s Standing) string {
	stand, ok := map[Standing]pipeline.Stand{Inside: pipeline.Inside, Outside: pipeline.Outside, CantTell: pipeline.Between}[s]
	if !ok || m.Value == nil {
		return ""
	}
	return l.text.Judged(m, l.rep.Band(m), stand)
}

// Clock is the time of t from contact in capture time, "−0.17 s"; empty when
// contact is not known.
func (l *Look) Clock(t float64) string {
	if l.contact == nil {
		return ""
	}
	doubt := 0.0
	if e := l.swing.Event(pipeline.Contact); e.Lo != nil && e.Hi != nil {
		doubt = (*e.Hi - *e.Lo) / 2 / l.factor
	}
	return l.text.Time((t-*l.contact)/l.factor, doubt)
}

// Phase is the last event at or before t.
func (l *Look) Phase(t float64) pipeline.EventKind {
	var out pipeline.EventKind
	for _, k := range pipeline.EventKinds {
		if e := l.swing.Event(k); e != nil && e.T != nil && *e.T <= t+1e-6 {
			out = k
		}
	}
	return out
}
