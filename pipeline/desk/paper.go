package desk

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"
)

// HistoryEnding is that of the file beside an original which keeps every
// version of its notes: one JSON object a line, oldest first.
const HistoryEnding = ".history.jsonl"

// Paper is the notes beside an original and their history: paths.
type Paper struct{ Notes, History string }

// Version is one line of the history: all of the notes as they were then.
type Version struct {
	At    time.Time `json:"at"`
	Who   string    `json:"who"`  // empty: they lay there before the desk
	What  string    `json:"what"` // "notes" or "voice"
	Tag   string    `json:"tag,omitempty"`
	Notes string    `json:"notes,omitempty"`
}

// TagOf names the bytes of notes; none have a tag too.
func TagOf(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:8])
}

// ErrChanged: the notes are no longer those of the tag.
var ErrChanged = errors.New("the notes were changed meanwhile")

// Read gives the notes; none are no error.
func (p Paper) Read() (b []byte, err error) {
	b, err = os.ReadFile(p.Notes)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	return b, err
}

// Write puts notes in the place of those with the tag, and into the history
// first: whatever stops it, no version is lost. No bytes take the file away.
// ErrChanged: they are no longer those.
func (p Paper) Write(b []byte, tag, who string, at time.Time) (newTag string, err error) {
	err = p.locked(func(h *os.File) error {
		was, err := p.Read()
		if err != nil {
			return err
		}
		if TagOf(was) != tag {
			return ErrChanged
		}
		if newTag = TagOf(b); newTag == tag {
			return nil
		}
		st, err := h.Stat()
		if err != nil {
			return err
		}
		if st.Size() == 0 && len(was) > 0 {
			old := at
			if n, err := os.Stat(p.Notes); err == nil {
				old = n.ModTime()
			}
			if err := add(h, Version{At: old.UTC(), What: "notes", Tag: tag, Notes: string(was)}); err != nil {
				return err
			}
		}
		if err := add(h, Version{At: at.UTC(), Who: who, What: "notes", Tag: newTag, Notes: string(b)}); err != nil {
			return err
		}
		if len(b) == 0 {
			if err := os.Remove(p.Notes); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return err
			}
			return nil
		}
		return replace(p.Notes, b)
	})
	return newTag, err
}

// Note adds to the history what else was done.
func (p Paper) Note(what, who string, at time.Time) error {
	return p.locked(func(h *os.File) error { return add(h, Version{At: at.UTC(), Who: who, What: what}) })
}

// locked runs f while no other desk writes.
func (p Paper) locked(f func(history *os.File) error) error {
	h, err := os.OpenFile(p.History, os.O_CREATE|os.O_RDWR|os.O_APPEND, 0o600)
	if err != nil {
		return err
	}
	defer h.Close() // gives the lock back
	if err := unix.Flock(int(h.Fd()), unix.LOCK_EX); err != nil {
		return err
	}
	return f(h)
}

func add(h *os.File, v Version) error {
	b, err := json.Marshal(v)
	if err != nil {
		return err
	}
	b = append(b, '\n')
	if st, err := h.Stat(); err == nil && st.Size() > 0 {
		end := make([]byte, 1)
		if _, err := h.ReadAt(end, st.Size()-1); err != nil || end[0] != '\n' { // cut off
			b = append([]byte{'\n'}, b...)
		}
	}
	if _, err := h.Write(b); err != nil {
		return err
	}
	return h.Sync()
}

// replace writes a file beside its place and puts it there at once.
func replace(path string, b []byte) (err error) {
	f, err := os.CreateTemp(filepath.Dir(path), ".tapeline-")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			os.Remove(f.Name())
		}
	}()
	_, err = f.Write(b)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}

// Replace puts the bytes of what travels with an original in its place at once.
func Replace(path string, b []byte) error { return replace(path, b) }

// Versions are the lines of the history, oldest first; a line that was cut off
// is left out.
func (p Paper) Versions() (out []Version, err error) {
	b, err := os.ReadFile(p.History)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	s := bufio.NewScanner(bytes.NewReader(b))
	s.Buffer(nil, 4<<20)
	for s.Scan() {
		var v Version
		if json.Unmarshal(s.Bytes(), &v) == nil {
			out = append(out, v)
		}
	}
	return out, s.Err()
}
