package ledger

import (
	"context"
	"database/sql"

	"tapeline/pipeline"
)

// Shown are all lessons as Heads gives them, with the swing that each shows: its
// contact and its findings. A list of a thousand lessons needs no more, and is
// read in a fraction of the time of Lessons; Numbers gives those of the few that
// are looked at.
func (l *Ledger) Shown(ctx context.Context) (out []Lesson, err error) {
	err = l.read(ctx, func(tx *sql.Tx) error {
		if out, err = l.heads(ctx, tx, ` WHERE $1 = '' `, ""); err != nil {
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
			{`SELECT p.lesson, p.phase, p.t, p.lo, p.hi, p.frame, p.reason FROM swings s JOIN phases p ON p.lesson = s.lesson AND p.swing = s.swing
				WHERE s.shown = 1 AND p.phase = $1`, []any{string(pipeline.Contact)}, func(scan func(...any) error) error {
				var id string
				var e pipeline.Event
				if err := scan(&id, &e.Kind, &e.T, &e.Lo, &e.Hi, &e.Frame, &e.Reason); err != nil {
					return err
				}
				shown(id).Events = append(shown(id).Events, e)
				return nil
			}},
			{`SELECT f.lesson, f.rule, f.kind, f.words FROM swings s JOIN findings f ON f.lesson = s.lesson AND f.swing = s.swing
				WHERE s.shown = 1 ORDER BY f.lesson, f.position`, nil, func(scan func(...any) error) error {
				var id string
				var f pipeline.Finding
				if err := scan(&id, &f.Rule, &f.Kind, &f.Text); err != nil {
					return err
				}
				shown(id).Findings = append(shown(id).Findings, f)
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

// Numbers are the measures of the swing that a lesson shows, and what they were
// held against.
func (l *Ledger) Numbers(ctx context.Context, clip string) (measures []pipeline.Measure, bands []pipeline.Band, err error) {
	err = l.read(ctx, func(tx *sql.Tx) error {
		measures, bands = nil, nil
		if err := each(ctx, tx, `SELECT m.key, m.from_event, m.at_event, m.unit, m.value, m.lo, m.hi FROM swings s JOIN measures m ON m.lesson = s.lesson AND m.swing = s.swing
			WHERE s.shown = 1 AND s.lesson = $1 ORDER BY m.position`, []any{clip}, func(scan func(...any) error) error {
			m := pipeline.Measure{Frames: []int{}, Warnings: []string{}}
			err := scan(&m.Key, &m.From, &m.At, &m.Unit, &m.Value, &m.Lo, &m.Hi)
			measures = append(measures, m)
			return err
		}); err != nil {
			return err
		}
		return each(ctx, tx, `SELECT rule, key, from_event, at_event, unit, least, most FROM bands WHERE lesson = $1 ORDER BY position`, []any{clip}, func(scan func(...any) error) error {
			var b pipeline.Band
			err := scan(&b.Rule, &b.Key, &b.From, &b.At, &b.Unit, &b.Min, &b.Max)
			bands = append(bands, b)
			return err
		})
	})
	return measures, bands, err
}
