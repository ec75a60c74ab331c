package ledger

import (
	"context"
	"database/sql"
	"strings"

	"tapeline/pipeline"
)

// Shown are all lessons as Heads gives them, with the swing that each shows: its
// contact, its findings, and of its measures and their bands those with one of
// the keys. A list of a thousand lessons needs no more, and is read in a
// fraction of the time of Lessons.
func (l *Ledger) Shown(ctx context.Context, keys []string) (out []Lesson, err error) {
	args := make([]any, len(keys))
	holes := make([]string, len(keys))
	for i, k := range keys {
		args[i], holes[i] = k, "$"+string(rune('1'+i%9))
	}
	if len(keys) == 0 || len(keys) > 9 {
		return nil, fault(l.path, "one to nine keys can be asked for", "", nil)
	}
	in := "(" + strings.Join(holes, ", ") + ")"
	err = l.read(ctx, func(tx *sql.Tx) error {
		if out, err = heads(ctx, tx, ` WHERE $1 = '' `, ""); err != nil {
			return err
		}
		at := make(map[string]*Lesson, len(out))
		for i := range out {
			at[out[i].Clip] = &out[i]
		}
		shown := func(lesson string) *pipeline.Swing { return &at[lesson].Swings[0] }
		for _, q := range []struct {
			query string
			args  []any
			row   func(scan func(...any) error) error
		}{
			{`SELECT lesson, swing FROM swings WHERE shown = 1`, nil, func(scan func(...any) error) error {
				var id string
				s := pipeline.Swing{Chosen: true}
				if err := scan(&id, &s.Index); err != nil {
					return err
				}
				at[id].Swings = []pipeline.Swing{s}
				return nil
			}},
			{`SELECT p.lesson, p.phase, p.t, p.lo, p.hi, p.frame, p.reason FROM phases p JOIN swings s ON s.lesson = p.lesson AND s.swing = p.swing
				WHERE s.shown = 1 AND p.phase = $1`, []any{string(pipeline.Contact)}, func(scan func(...any) error) error {
				var id string
				var e pipeline.Event
				if err := scan(&id, &e.Kind, &e.T, &e.Lo, &e.Hi, &e.Frame, &e.Reason); err != nil {
					return err
				}
				shown(id).Events = append(shown(id).Events, e)
				return nil
			}},
			{`SELECT m.lesson, m.key, m.from_event, m.at_event, m.unit, m.value, m.lo, m.hi FROM measures m JOIN swings s ON s.lesson = m.lesson AND s.swing = m.swing
				WHERE s.shown = 1 AND m.key IN ` + in + ` ORDER BY m.lesson, m.position`, args, func(scan func(...any) error) error {
				var id string
				m := pipeline.Measure{Frames: []int{}, Warnings: []string{}}
				if err := scan(&id, &m.Key, &m.From, &m.At, &m.Unit, &m.Value, &m.Lo, &m.Hi); err != nil {
					return err
				}
				shown(id).Measures = append(shown(id).Measures, m)
				return nil
			}},
			{`SELECT f.lesson, f.rule, f.kind, f.words FROM findings f JOIN swings s ON s.lesson = f.lesson AND s.swing = f.swing
				WHERE s.shown = 1 ORDER BY f.lesson, f.position`, nil, func(scan func(...any) error) error {
				var id string
				var f pipeline.Finding
				if err := scan(&id, &f.Rule, &f.Kind, &f.Text); err != nil {
					return err
				}
				shown(id).Findings = append(shown(id).Findings, f)
				return nil
			}},
			{`SELECT lesson, rule, key, from_event, at_event, unit, least, most FROM bands WHERE key IN ` + in + ` ORDER BY lesson, position`, args, func(scan func(...any) error) error {
				var id string
				var b pipeline.Band
				if err := scan(&id, &b.Rule, &b.Key, &b.From, &b.At, &b.Unit, &b.Min, &b.Max); err != nil {
					return err
				}
				at[id].Bands = append(at[id].Bands, b)
				return nil
			}},
		} {
			if err := each(ctx, tx, q.query, q.args, q.row); err != nil {
				return err
			}
		}
		return nil
	})
	return out, err
}
