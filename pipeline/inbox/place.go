package inbox

import (
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tapeline/pipeline"
)

// Roster knows who may be filmed.
type Roster interface {
	// Known tells whether there is a player of that code.
	Known(id string) bool
	// Film tells whether the player may be filmed and read on a day.
	Film(id string, day time.Time) bool
}

// Note is what a sidecar says of where its clip belongs.
type Note struct {
	Player string
	Day    string // filmed, 2006-01-02; empty: not said
	// Players says whose the parts of a recording are; no two overlap.
	Players []Span
}

// Span is a part of a recording that belongs to one player, seconds from its
// first frame; To 0: to its end.
type Span struct {
	From   float64 `json:"from_s"`
	To     float64 `json:"to_s"`
	Player string  `json:"player"`
}

// How a clip's player is known.
const (
	ByFolder  = "folder"
	BySidecar = "sidecar"
	ByName    = "name"
	ByCard    = "card"
)

// Reasons for which a clip is not placed; those of Held lies in wait.
const (
	NoPlayer      = "no_player"      // nothing says whose it is
	UnknownPlayer = "unknown_player" // the sidecar names nobody of the roster
	TwoPlayers    = "two_players"    // folder, sidecar and name don't agree
	NoConsent     = "no_consent"     // may not be filmed: held, unread
	BadSidecar    = "bad_sidecar"
	NotAClip      = "not_a_clip"
)

// Place says where a clip belongs. Reason is empty when it is known; Detail
// then goes with it: codes, never names.
type Place struct {
	Player string
	How    string
	Day    string // filmed, or of arrival where that isn't known
	Dated  bool   // Day was said, not assumed
	Reason string
	Detail string
}

// Find places a clip by its path below the inbox, its sidecar and its name,
// which must agree where several speak. today is the day of arrival in the
// coach's zone. carded is the player a number card named, or empty; what a path
// or a note says must agree with it too.
func Find(rel string, note Note, carded string, r Roster, today time.Time) Place {
	p := Place{Day: note.Day, Dated: note.Day != ""}
	day, err := time.Parse(time.DateOnly, note.Day)
	if err != nil {
		day, p.Day, p.Dated = today, today.Format(time.DateOnly), false
	}
	type word struct{ player, how string }
	var said []word
	parts := strings.Split(filepath.ToSlash(filepath.Dir(rel)), "/")
	for _, dir := range parts {
		if id := strings.ToLower(dir); pipeline.PlayerForm.MatchString(id) && r.Known(id) {
			said = append(said, word{id, ByFolder})
		}
	}
	if note.Player != "" {
		if !r.Known(note.Player) {
			p.Reason, p.Detail = UnknownPlayer, note.Player
			return p
		}
		said = append(said, word{note.Player, BySidecar})
	}
	if id := named(filepath.Base(rel), r); id != "" {
		said = append(said, word{id, ByName})
	}
	if carded != "" {
		if !r.Known(carded) {
			p.Reason, p.Detail = UnknownPlayer, carded
			return p
		}
		said = append(said, word{carded, ByCard})
	}
	if len(said) == 0 {
		p.Reason = NoPlayer
		return p
	}
	var all []string
	for _, w := range said {
		if !slices.Contains(all, w.player) {
			all = append(all, w.player)
		}
	}
	if len(all) > 1 {
		p.Reason, p.Detail = TwoPlayers, strings.Join(all, ", ")
		return p
	}
	p.Player, p.How = said[0].player, said[0].how
	// Who has withdrawn since it was filmed is not read either.
	if !r.Film(p.Player, day) || !r.Film(p.Player, today) {
		p.Reason, p.Detail = NoConsent, p.Player
	}
	return p
}

// named is the longest code of the roster that a file name begins with, a
// separator behind it: b07_swing.mov, b07-2.mov, "b07 tee.mov", b07.mov.
func named(base string, r Roster) string {
	stem := strings.ToLower(strings.TrimSuffix(base, filepath.Ext(base)))
	for end := min(len(stem), 32); end > 0; end-- {
		id := stem[:end]
		if (end == len(stem) || strings.ContainsRune("_- .", rune(stem[end]))) && pipeline.PlayerForm.MatchString(id) && r.Known(id) {
			return id
		}
	}
	return ""
}

// clips are the endings of what may be a clip; what is really inside, the
// reading finds out.
var clips = []string{".mp4", ".mov", ".m4v", ".mkv", ".webm", ".avi", ".3gp"}

// voices are the endings of a voice note beside a clip, sidecar that of the
// notes on it.
var voices = []string{".m4a", ".wav", ".mp3"}

const sidecar = ".yaml"

// IsClip tells by its ending whether a file may be a clip.
func IsClip(base string) bool {
	return slices.Contains(clips, strings.ToLower(filepath.Ext(base)))
}

// Companion tells whether a file travels with a clip.
func Companion(base string) bool {
	ext := filepath.Ext(base)
	return ext == sidecar || slices.Contains(voices, ext)
}

// WhyEnding ends the name of the file that says why a clip lies where it lies.
const WhyEnding = ".why.txt"

// Unfinished tells by its name that a file is hidden, still being copied, or
// ours.
func Unfinished(base string) bool {
	if strings.HasPrefix(base, ".") || strings.HasPrefix(base, "~") || strings.HasSuffix(base, "~") {
		return true
	}
	low := strings.ToLower(base)
	for _, end := range []string{".part", ".partial", ".crdownload", ".download", ".tmp", ".temp", ".filepart", ".!ut", ".swp", WhyEnding} {
		if strings.HasSuffix(low, end) {
			return true
		}
	}
	return low == "thumbs.db" || low == "desktop.ini"
}
