package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/jobs"
)

// What "tapeline status" tells where several machines work: which there are, and
// why clips wait.

// machine is one run of a program as status tells of it.
type machine struct {
	jobs.Worker
	Clips []string `json:"clips"` // that it reads, by the store
	// Silence is set where it gave no sign of life for so long that others may take
	// it for gone, or have done so.
	Silence bool `json:"is_silent"`
}

// snag is a reason that keeps clips waiting, or what was read from the desk.
type snag struct {
	Reason string   `json:"reason"`
	Text   string   `json:"text"`
	Says   []saying `json:"says,omitempty"` // whose signs of life say so
}

// saying is a machine that says so, and since when by the database's clock.
type saying struct {
	Machine string    `json:"machine"`
	Process int       `json:"process"`
	Since   time.Time `json:"since"`
}

// Reasons that status finds itself.
const (
	noOffice = "no_office"
	noReader = "no_reader"
)

// machines are those the store knows, with the clips each has.
func (y *yard) machines(ctx context.Context, st *jobs.Store, clips []statusClip) (out []machine, err error) {
	all, err := st.Workers(ctx)
	for _, w := range all {
		m := machine{Worker: w, Clips: []string{}, Silence: !w.Lives(y.c.Worker.Silence)}
		for _, c := range clips {
			if c.Worker == w.ID && w.State != jobs.Gone {
				m.Clips = append(m.Clips, c.Clip)
			}
		}
		if len(m.Clips) > 0 { // newer than its last sign of life
			m.Hand = max(m.Hand, len(m.Clips))
			if !m.Silence {
				m.Hand = len(m.Clips)
			}
		}
		out = append(out, m)
	}
	return out, err
}

// called is a machine's name, with the number of its process where it has another
// of that name and role.
func called(m machine, all []machine) string {
	if slices.ContainsFunc(all, func(o machine) bool { return o.ID != m.ID && o.Name == m.Name && o.Role == m.Role && !o.Silence }) {
		return fmt.Sprintf("%s (%d)", m.Name, m.Process)
	}
	return m.Name
}

// snags says why clips wait, as far as that is the same for all of them.
func (y *yard) snags(all []machine) (out []snag) {
	t := y.text.Work
	if !slices.ContainsFunc(all, func(m machine) bool { return !m.Silence && m.Takes() }) {
		out = append(out, snag{Reason: noOffice, Text: t[noOffice]})
	}
	if !slices.ContainsFunc(all, func(m machine) bool { return !m.Silence && m.Jobs > 0 && m.State == jobs.Working }) {
		out = append(out, snag{Reason: noReader, Text: t[noReader]})
	}
	for _, m := range all {
		if m.Silence || m.Trouble == "" {
			continue
		}
		i := slices.IndexFunc(out, func(s snag) bool { return s.Reason == m.Trouble })
		if i < 0 {
			i, out = len(out), append(out, snag{Reason: m.Trouble, Text: y.text.Why(m.Trouble, "")})
		}
		out[i].Says = append(out[i].Says, saying{m.Name, m.Process, m.Since})
	}
	return out
}

// tellSnags writes them, one a line.
func (y *yard) tellSnags(w io.Writer, snags []snag, all []machine) {
	if len(snags) > 0 {
		fmt.Fprintln(w)
	}
	for _, s := range snags {
		var who []string
		for _, m := range all {
			if slices.Contains(s.Says, saying{m.Name, m.Process, m.Since}) {
				who = append(who, fmt.Sprintf(y.text.Work["since_then"], called(m, all), y.stamp(m.Since)))
			}
		}
		text := s.Text
		if len(who) > 0 {
			text += " (" + strings.Join(who, ", ") + ")"
		}
		fmt.Fprintln(w, text)
	}
}

// stamp is an instant as status writes it.
func (y *yard) stamp(at time.Time) string {
	zone, err := y.c.Zone()
	if err != nil {
		zone = time.Local
	}
	return at.In(zone).Format(time.DateTime)
}

// tellMachines writes who is there, what each has in hand, and who may have left a
// clip. Times are the database's.
func (y *yard) tellMachines(w io.Writer, all []machine) {
	if len(all) == 0 {
		return
	}
	t := y.text.Work
	rows := [][]string{{t["machine"], t["role"], t["process"], t["stands"], t["in_hand"], t["since"], t["sign"]}}
	for _, m := range all {
		state, hand := m.State, fmt.Sprint(m.Hand)
		switch {
		case m.State == jobs.Gone:
			hand = dash("")
		case m.Silence:
			state = "silent"
		}
		if len(m.Clips) > 0 {
			hand += ": " + strings.Join(m.Clips, " ")
		}
		rows = append(rows, []string{m.Name, t[m.Role], fmt.Sprint(m.Process), t[state], hand, y.stamp(m.Began), y.stamp(m.Seen)})
	}
	fmt.Fprintln(w)
	table(w, rows)
	for _, s := range y.left(all) {
		fmt.Fprintln(w, s)
	}
}

// left says of each machine that was cut off that clips may lie in its folder, and
// what to do.
func (y *yard) left(all []machine) (out []string) {
	for _, m := range all {
		if !m.Silence || m.Hand == 0 {
			continue
		}
		command, folder := "tapeline work", "workers"
		if m.Takes() {
			command, folder = "tapeline watch", "staging"
		}
		out = append(out, fmt.Sprintf(y.text.Work["left_behind"], m.Name, m.Process, m.Hand, command, folder))
	}
	return out
}

// leftBehind is left for who asks nothing else.
func (y *yard) leftBehind(ctx context.Context, st *jobs.Store) ([]string, error) {
	if y.c.Clips == "" {
		return nil, nil
	}
	all, err := y.machines(ctx, st, nil)
	return y.left(all), err
}

// baseAway says in one line that the database can't be reached.
func (y *yard) baseAway(err error) error {
	why := jobs.Away(err)
	if y.c.Store == "" || why == "" {
		return err
	}
	at, uerr := y.c.StoreURL()
	if uerr != nil {
		return err
	}
	return &pipeline.Error{Fault: pipeline.FaultLedger, Step: "store", Path: jobs.StoreName(at), What: "the database can't be reached (" + why + "), so nothing is known of clips and machines",
		Hint: "those that work wait for it and go on when it is back; \"tapeline check\" looks closer", Err: err}
}
