package outbox

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tapeline/pipeline"
	"tapeline/pipeline/ledger"
)

// Ready is a lesson that may leave, with all that is about to.
type Ready struct {
	Lesson  ledger.Lesson
	Family  Family
	Leaving pipeline.Leaving
	Report  pipeline.Report
	Dir     string // of what leaves
	Files   []File
	Content string // hash of what leaves and of the report it was made from
}

// File is one that leaves.
type File struct {
	Name string `json:"name"`
	Size int64  `json:"size"`
}

// permitted tells why a lesson may not leave by the roster, nil where it may.
// The name must be the one that the lesson was made with: the code may have
// been given to another child since.
func permitted(l *ledger.Lesson, f Family, known bool, today time.Time) *Why {
	filmed, err := time.Parse(time.DateOnly, l.Day)
	switch {
	case !known:
		return &Why{Unknown, l.Player}
	case err != nil || !f.Film(filmed) || !f.Film(today):
		return &Why{NoFilm, l.Player}
	case !f.Mail(today):
		return &Why{NoMail, l.Player}
	case len(f.Guardians) == 0:
		return &Why{NoGuardian, l.Player}
	case l.Name == "" && f.Name != "":
		return &Why{Unnamed, l.Player}
	case l.Name != f.Name:
		return &Why{Renamed, l.Player}
	}
	return nil
}

// strangers is a Why where an address was not a guardian's before: the code may
// have been given to another child of the same first name, whose families may
// even share an address.
func strangers(l *ledger.Lesson, before []string, f Family) *Why {
	if len(before) == 0 {
		return nil // it was not known
	}
	for _, a := range f.Guardians {
		if !slices.Contains(before, ledger.Fingerprint(l.Clip, a)) {
			return &Why{Strangers, Mask(a)}
		}
	}
	return nil
}

// may is permitted with the roster read anew, and the lesson what the coach
// last made of it.
func (o *Outbox) may(l *ledger.Lesson) (f Family, why *Why) {
	r, err := o.o.Roster()
	if err != nil {
		return f, &Why{NoRoster, err.Error()}
	}
	f, ok := r(l.Player)
	f.Guardians = distinct(f.Guardians)
	if why = permitted(l, f, ok, o.today()); why == nil && o.o.Outdated != nil && o.o.Outdated(l) {
		why = &Why{NotRedrawn, ""}
	}
	return f, why
}

// distinct leaves out addresses that differ in nothing but the case of their
// letters: one message is enough.
func distinct(addresses []string) (out []string) {
	for _, a := range addresses {
		if !slices.ContainsFunc(out, func(b string) bool { return strings.EqualFold(a, b) }) {
			out = append(out, a)
		}
	}
	return out
}

// packed reads what may leave of a lesson and checks that it is what was made
// of it, byte for byte. Errors are *Why.
func packed(ctx context.Context, l *ledger.Lesson) (r Ready, why *Why) {
	report, err := os.ReadFile(filepath.Join(l.Folder, pipeline.ReportFile))
	if err != nil {
		return r, &Why{NoLesson, l.Folder}
	}
	if err := json.Unmarshal(report, &r.Report); err != nil || r.Report.Clip.ID != l.Clip {
		return r, &Why{NoLesson, l.Folder}
	}
	r.Lesson, r.Dir = *l, filepath.Join(l.Folder, pipeline.LeavingDir)
	list, err := os.ReadFile(filepath.Join(r.Dir, pipeline.LeavingFile))
	if err != nil {
		return r, &Why{NotPacked, ""}
	}
	sum := sha256.Sum256(report)
	lv := &r.Leaving
	if err := json.Unmarshal(list, lv); err != nil || lv.Schema != pipeline.LeavingSchema || lv.Clip != l.Clip || lv.Report != hex.EncodeToString(sum[:]) ||
		lv.Name != "" && lv.Name != l.Name || lv.Files[pipeline.LeavingSheetFile] == "" {
		return r, &Why{NotPacked, ""}
	}
	h := sha256.New()
	fmt.Fprintf(h, "%s\n%d\n", lv.Report, len(list))
	_, _ = h.Write(list)
	r.Content = hex.EncodeToString(h.Sum(nil))
	for _, name := range []string{pipeline.LeavingFilmFile, pipeline.LeavingSheetFile, pipeline.LeavingCaptionsFile} {
		want := lv.Files[name]
		if want == "" {
			continue
		}
		got, size, err := hashed(ctx, filepath.Join(r.Dir, name))
		if err != nil || got != want {
			return r, &Why{NotPacked, name}
		}
		r.Files = append(r.Files, File{name, size})
	}
	return r, nil
}

// free tells why what leaves needs the coach's word first.
func free(l pipeline.Leaving) *Why {
	if l.Free() {
		return nil
	}
	return &Why{OthersSeen, fmt.Sprintf("%d/%d", l.Seen-l.Blurred, l.Looked)}
}

// OtherSided is a Why where the picture looks like the other batting side than
// was given: a clip in the wrong player's folder looks so. It needs Word.Named.
func OtherSided(rep *pipeline.Report) *Why {
	if slices.ContainsFunc(rep.Warnings, func(w pipeline.Warning) bool { return w.Code == "bats_doubtful" }) {
		return &Why{OtherSide, ""}
	}
	return nil
}

// hashed is the SHA-256 of a plain file, hex, and its size.
func hashed(ctx context.Context, path string) (sum string, size int64, err error) {
	st, err := os.Lstat(path)
	if err != nil {
		return "", 0, err
	}
	if !st.Mode().IsRegular() {
		return "", 0, errors.New("no plain file")
	}
	f, err := os.Open(path)
	if err != nil {
		return "", 0, err
	}
	defer f.Close()
	h := sha256.New()
	if size, err = io.Copy(h, f); err != nil {
		return "", 0, errors.Join(err, ctx.Err())
	}
	return hex.EncodeToString(h.Sum(nil)), size, nil
}

// Ready looks at everything that lets a lesson leave, and packs what may leave
// of it where that is missing or stale, or others says another way than it was
// packed. Reasons against it are a *Why.
func (o *Outbox) Ready(ctx context.Context, l ledger.Lesson, others string, tell pipeline.Progress) (Ready, error) {
	f, why := o.may(&l)
	if why != nil {
		return Ready{Lesson: l, Family: f}, why
	}
	r, err := o.Packed(ctx, l, others, tell)
	r.Family = f
	if err == nil {
		if why := free(r.Leaving); why != nil {
			return r, why
		}
	}
	return r, err
}

// Packed is what may leave of a lesson, whoever may get it, made where it is
// missing or stale, or others ("": as configured) asks for another packing.
// That others may be recognised is never taken over from an earlier packing.
func (o *Outbox) Packed(ctx context.Context, l ledger.Lesson, others string, tell pipeline.Progress) (Ready, error) {
	if others == "" {
		others = o.o.Others
	}
	r, why := packed(ctx, &l)
	if why == nil && (r.Leaving.Others == others || r.Leaving.Others != OthersAllow && r.Leaving.Free()) {
		return r, nil
	}
	if why != nil && why.Reason == NoLesson || o.o.Pack == nil {
		return r, cmp.Or(why, &Why{NotPacked, ""})
	}
	if err := o.o.Pack(ctx, l, others, tell); err != nil {
		return r, err
	}
	if r, why = packed(ctx, &l); why != nil {
		return r, why
	}
	return r, nil
}
