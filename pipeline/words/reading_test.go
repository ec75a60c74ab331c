package words

import (
	"regexp"
	"slices"
	"sort"
	"strings"
	"testing"
	"unicode"
)

// The texts of the lesson can be read at about twelve years: no group of them
// is above it, and the whole is below.
//
// English: Flesch–Kincaid grade = 0.39 · words/sentence + 11.8 ·
// syllables/word − 15.59 (Kincaid, Fishburne, Rogers and Chissom 1975, Naval
// Technical Training Command, Research Branch Report 8-75). Grade 6 is eleven
// to twelve years.
//
// Spanish: Fernández Huerta 1959, L = 206.84 − 60 · syllables/word − 1.02 ·
// words/sentence, as put right by A. Muñoz Fernández (legible.es): 70 to 80 is
// "algo fácil", the sixth grade; 60 to 70 "normal", the seventh and eighth.
//
// A sentence ends at . ? or !; what has no such end is a label and isn't
// counted. A slot counts as one short word.
func TestReadingAge(t *testing.T) {
	var measured []string
	for _, c := range []struct {
		code         string
		syllables    func(string) int
		score        func(wordsPerSentence, syllablesPerWord float64) float64 // of difficulty
		whole, group float64                                                  // the most of it
		name         string
	}{
		{"en", englishSyllables, func(w, s float64) float64 { return .39*w + 11.8*s - 15.59 }, 5, 6.5, "grade"},
		{"es", spanishSyllables, func(w, s float64) float64 { return 60*s + 1.02*w - 206.84 }, -80, -70, "−L"},
	} {
		l, err := For(c.code)
		if err != nil {
			t.Fatal(err)
		}
		measured = append(measured, c.code)
		groups := map[string][]string{}
		walk(l, func(where, s string) {
			if g, ok := readGroup(where); ok {
				groups[g] = append(groups[g], s)
				groups["all"] = append(groups["all"], s)
			}
		})
		var names []string
		for g := range groups {
			names = append(names, g)
		}
		sort.Strings(names)
		for _, g := range names {
			w, s, n := count(groups[g], c.syllables)
			if n < 5 {
				continue // too few for a figure
			}
			got := c.score(float64(w)/float64(n), float64(s)/float64(w))
			most := c.group
			if g == "all" {
				most = c.whole
			}
			t.Logf("%s %-10s %s %5.1f (%d sentences, %.1f words each, %.2f syllables a word)", c.code, g, c.name, got, n, float64(w)/float64(n), float64(s)/float64(w))
			if got > most {
				t.Errorf("%s: %s reads at %s %.1f, more than %g", c.code, g, c.name, got, most)
			}
		}
		for _, s := range groups["all"] {
			if w, _, n := count([]string{s}, c.syllables); n > 0 && w > 28*n {
				t.Errorf("%s: %d words in a sentence: %q", c.code, w/n, s)
			}
		}
		// The measure sees what is hard to read.
		hard := map[string]string{
			"en": "Excessive anterior translation of the cervical region necessitates immediate neuromuscular reorganization.",
			"es": "La excesiva traslación anterior de la región cervical exige una inmediata reorganización neuromuscular.",
		}[c.code]
		w, s, n := count([]string{hard}, c.syllables)
		if got := c.score(float64(w)/float64(n), float64(s)/float64(w)); got < c.group+10 {
			t.Errorf("%s: what is hard to read has %s %.1f", c.code, c.name, got)
		}
	}
	if slices.Sort(measured); !slices.Equal(measured, Codes()) {
		t.Errorf("only %q of %q are measured", measured, Codes())
	}
}

// readGroup is the table a text belongs to, where a parent or a player reads
// it: not names of measures, phases or keys.
func readGroup(where string) (string, bool) {
	group, _, _ := strings.Cut(where, "[")
	switch group {
	case "Captions", "Cards", "Findings", "Drills", "Care", "Chains", "Page", "Progress", "NumberCards", "Mail", "Glossary", "Measures", "Warnings":
		return group, !strings.HasSuffix(where, ".Word") && !strings.HasSuffix(where, ".Name")
	}
	return "", false
}

var (
	sentenceEnd = regexp.MustCompile(`[.?!](?:\s|$|[”»)])`)
	verb        = regexp.MustCompile(`%(?:\[\d+\])?[a-z]|\{[^}]*\}`)
	word        = regexp.MustCompile(`[\p{L}\p{N}][\p{L}\p{N}'’-]*`)
)

// count gives words, syllables and sentences of the texts that are sentences.
func count(texts []string, syllables func(string) int) (words, syl, sent int) {
	for _, s := range texts {
		s = strings.ReplaceAll(verb.ReplaceAllString(s, "ten"), "%%", "")
		if !sentenceEnd.MatchString(s) {
			continue
		}
		for _, sentence := range sentenceEnd.Split(s, -1) {
			w := word.FindAllString(sentence, -1)
			if len(w) == 0 {
				continue
			}
			sent++
			words += len(w)
			for _, x := range w {
				syl += syllables(x)
			}
		}
	}
	return words, syl, sent
}

// odd are English words that spelling misleads about, with the syllables that
// the CMU Pronouncing Dictionary gives them.
var odd = map[string]int{
	"being": 2, "camera's": 2, "coach's": 2, "diagnose": 3, "earlier": 3, "everywhere": 3, "finely": 2, "guardian": 3, "league": 1,
	"mph": 3, "phone's": 1, "player": 2, "player's": 2, "rules": 1, "safety": 2, "sideways": 2, "something": 2, "somewhere": 2,
	"surely": 2, "usual": 3, "baseball": 2,
}

// englishSyllables counts runs of vowels and puts the usual endings right.
func englishSyllables(w string) int {
	w = strings.ToLower(strings.Trim(w, "'’-"))
	if n, ok := odd[w]; ok {
		return n
	}
	if strings.Contains(w, "-") {
		n := 0
		for _, p := range strings.Split(w, "-") {
			n += englishSyllables(p)
		}
		return n
	}
	if strings.IndexFunc(w, unicode.IsLetter) < 0 {
		return 1 // a numeral, at its shortest
	}
	n, before := 0, false
	for _, r := range w {
		v := strings.ContainsRune("aeiouy", r)
		if v && !before {
			n++
		}
		before = v
	}
	last := func(i int) byte { return w[len(w)-1-i] }
	vowel := func(b byte) bool { return strings.IndexByte("aeiouy", b) >= 0 }
	switch {
	case len(w) < 3 || n == 1:
	case strings.HasSuffix(w, "le") && !vowel(last(2)): // ta-ble
	case last(0) == 'e' && !vowel(last(1)): // lat(e)
		n--
	case strings.HasSuffix(w, "es") && !vowel(last(2)) && !strings.ContainsRune("scgxz", rune(last(2))) && !strings.HasSuffix(w, "ches") && !strings.HasSuffix(w, "shes") && !strings.HasSuffix(w, "les"):
		n--
	case strings.HasSuffix(w, "ed") && !vowel(last(2)) && last(2) != 't' && last(2) != 'd':
		n--
	}
	return max(1, n)
}

// spanishSyllables counts the nuclei: a, e, o and accented i, u are strong,
// and each carries a syllable; weak i, u join a strong neighbour or each other.
func spanishSyllables(w string) int {
	w = strings.ToLower(w)
	w = regexp.MustCompile(`qu([eiéí])`).ReplaceAllString(w, "q$1")
	w = regexp.MustCompile(`gu([eiéí])`).ReplaceAllString(w, "g$1")
	n := 0
	r := []rune(w)
	kind := func(i int) int { // 2 strong, 1 weak, 0 none
		if i < 0 || i >= len(r) {
			return 0
		}
		switch {
		case strings.ContainsRune("aeoáéóíú", r[i]):
			return 2
		case strings.ContainsRune("iuü", r[i]), r[i] == 'y' && (i == len(r)-1):
			return 1
		}
		return 0
	}
	for i := 0; i < len(r); i++ {
		if kind(i) == 0 {
			continue
		}
		if kind(i) == 2 {
			n++
			continue
		}
		// A weak vowel counts only where no strong one stands beside it, and
		// of two weak ones the first.
		if kind(i-1) == 0 && kind(i+1) != 2 || kind(i-1) == 2 && (r[i-1] == 'í' || r[i-1] == 'ú') {
			n++
		}
	}
	return max(1, n)
}

// The counters against words that were looked up: English in the CMU
// Pronouncing Dictionary 0.7b, Spanish divided by the rules of the Real
// Academia (from memory).
func TestSyllables(t *testing.T) {
	for code, c := range map[string]struct {
		count func(string) int
		words map[string]int
	}{
		"en": {englishSyllables, map[string]int{
			"batter": 2, "table": 2, "noise": 1, "closed": 1, "landed": 2, "pitcher": 2, "catcher": 2, "eyes": 1, "knees": 1, "distance": 2,
			"camera": 3, "professional": 4, "qualified": 3, "measure": 2, "height": 1, "plate": 1, "people": 2, "brim": 1, "photograph": 3,
			"extension": 3, "launches": 2, "baseball": 2, "usual": 3,
		}},
		"es": {spanishSyllables, map[string]int{
			"rodilla": 3, "caída": 3, "pie": 1, "abierto": 3, "lanzador": 3, "receptor": 3, "cabeza": 3, "quieta": 2, "línea": 3,
			"guía": 2, "aire": 2, "despacio": 3, "bateador": 4, "muy": 1, "ley": 1, "ahora": 3, "cuidado": 3, "ciudad": 2,
			"estatura": 4, "después": 2, "vergüenza": 3, "poquito": 3, "día": 2, "veintiún": 2, "y": 1, "o": 1, "oír": 2, "aún": 2,
		}},
	} {
		for w, want := range c.words {
			if got := c.count(w); got != want {
				t.Errorf("%s: %q has %d syllables, counted %d", code, w, want, got)
			}
		}
	}
}
