package words

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"tapeline/pipeline"
)

// trade are words that a parent can't be expected to know; in the order of
// the glossary.
var trade = map[string][]string{
	"en": {
		"stance", "load", "stride", "plant", "launch", "contact", "extension", "finish", "tape", "eye drop", "nod", "open", "closed", "square",
		"plumb line", "band", "bounds", "doubt", "tee", "dry swing", "soft toss", "front toss", "live", "knob", "barrel", "strike zone", "screen", "pitcher's plate",
		"mph", "drift", "lunge", "casting", "barreled", "pull side", "oppo", "flexion", "sagittal", "yaw", "azimuth", "kinematic",
	},
	"es": {
		"postura", "carga", "zancada", "apoyo", "arranque", "contacto", "extensión", "final", "cinta", "caída", "abierto", "cerrado", "cuadrado",
		"plomada", "rango", "límites", "margen de error", "tee", "swing sin bola", "bola suave", "bola de frente", "en vivo", "pomo", "barril", "zona de strike", "malla", "placa del lanzador",
		"mph", "flexión", "sagital", "guiñada", "acimut", "cinemática",
	},
}

// A word of the trade is in the glossary if a reader can meet it, and every
// entry of the glossary is such a word that can be met.
func TestTradeWordsAreExplained(t *testing.T) {
	for _, code := range Codes() {
		l, _ := For(code)
		if len(trade[code]) == 0 {
			t.Errorf("%s: no list of trade words", code)
		}
		for _, u := range unexplained(l, trade[code]) {
			t.Errorf("%s: %q is used and not explained", code, u)
		}
		var text strings.Builder
		walk(l, func(where, s string) {
			if !strings.HasPrefix(where, "Glossary") {
				text.WriteString(" " + strings.ToLower(s))
			}
		})
		for _, term := range l.Glossary {
			used := strings.Contains(term.Word, "±")
			for _, w := range strings.FieldsFunc(strings.ToLower(term.Word), func(r rune) bool { return r == ',' }) {
				for _, w := range regexp.MustCompile(` (?:and|y) `).Split(w, -1) {
					used = used || strings.Contains(text.String(), strings.TrimSpace(w))
				}
			}
			if !used {
				t.Errorf("%s: the glossary explains %q, which nothing says", code, term.Word)
			}
		}
	}
	poor := English()
	poor.Glossary = slices.DeleteFunc(slices.Clone(poor.Glossary), func(t Term) bool { return t.Word == "Knob" })
	if got := unexplained(poor, trade["en"]); !slices.Equal(got, []string{"knob"}) {
		t.Errorf("without the knob, %q are not explained", got)
	}
}

// unexplained are the words that a text of the language uses and its glossary
// lacks.
func unexplained(l Lang, list []string) (out []string) {
	var used, known strings.Builder
	walk(l, func(where, s string) {
		switch {
		case strings.HasPrefix(where, "Glossary") && strings.HasSuffix(where, ".Word"):
			known.WriteString(" " + strings.ToLower(s))
		case !strings.HasPrefix(where, "Glossary"):
			used.WriteString(" " + strings.ToLower(s))
		}
	})
	for _, w := range list {
		whole := regexp.MustCompile(`(?:^|[^\p{L}])` + regexp.QuoteMeta(w) + `(?:[^\p{L}]|$)`)
		if whole.MatchString(used.String()) && !whole.MatchString(known.String()) {
			out = append(out, w)
		}
	}
	return out
}

// Every key of the tables without codes of their own is asked for somewhere:
// as it stands, or as a beginning or end that something is joined to.
func TestEveryKeyHasAUser(t *testing.T) {
	var code strings.Builder
	err := filepath.WalkDir("../..", func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && (strings.HasPrefix(d.Name(), ".") && len(d.Name()) > 2 || d.Name() == "testdata"):
			return filepath.SkipDir
		case filepath.Ext(path) != ".go" && filepath.Ext(path) != ".html" && filepath.Ext(path) != ".tmpl" && filepath.Ext(path) != ".js", strings.HasSuffix(path, "_test.go"):
			return nil
		}
		b, err := os.ReadFile(path)
		if filepath.Base(filepath.Dir(path)) != "words" || strings.Contains(string(b), "\nfunc (l Lang)") {
			code.Write(b) // the tables themselves, which have no methods, are no users
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	users := code.String()
	parts := joined.FindAllStringSubmatch(users, -1)
	l := English()
	for name, words := range map[string]map[string]string{"Captions": l.Captions, "Cards": l.Cards, "Table": l.Table, "Standing": l.Standing, "Page": l.Page, "Progress": l.Progress, "NumberCards": l.NumberCards, "Mail": l.Mail, "Desk": l.Desk} {
		for key := range words {
			if !asked(users, parts, key) {
				t.Errorf("%s[%q] has no user", name, key)
			}
		}
	}
	if asked(users, parts, "no_such_"+"key") {
		t.Error("a key that nobody uses was found")
	}
	for name, c := range map[string][2][]string{
		"Drills":   {pipeline.DrillCodes, codes(l.Drills)},
		"Care":     {pipeline.CareCodes, codes(l.Care)},
		"Chains":   {pipeline.ChainCodes, codes(l.Chains)},
		"Findings": {pipeline.RuleCodes, codes(l.Findings)},
	} {
		want := slices.Sorted(slices.Values(c[0]))
		if !slices.Equal(want, c[1]) {
			t.Errorf("%s has %q, the codes are %q", name, c[1], want)
		}
	}
}

func codes[V any](m map[string]V) (out []string) {
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// joined is how a key is put together in Go: "legend_" + code, "half_"+ball,
// ball+"s".
var joined = regexp.MustCompile(`"(\w+_)" ?\+|\+ ?"(s)"`)

func asked(users string, parts [][]string, key string) bool {
	if strings.Contains(users, `"`+key+`"`) || strings.Contains(users, "`"+key+"`") {
		return true
	}
	for _, m := range parts {
		if m[1] != "" && strings.HasPrefix(key, m[1]) {
			return true
		}
		if m[2] != "" && strings.HasSuffix(key, m[2]) && strings.Contains(users, `"`+strings.TrimSuffix(key, m[2])+`"`) {
			return true
		}
	}
	return false
}

// blame are words that have no place in front of a player.
var blame = map[string]string{
	"en": `bad|badly|wrong|lazy|poor|poorly|mistakes?|weak|fail(?:s|ed|ure)?|fault|terrible|must|shame|injur(?:y|ed|ies)|diagnosis`,
	"es": `mal|mala|malo|errores?|culpa|floj[oa]|débil|fracas[oa]|fallas?|pésim[oa]|vergüenza|debes|lesión|lesiones|diagnóstico`,
}

// What a player reads says what was seen and what to do, and blames nobody;
// a caution sets no number of swings.
func TestNoBlame(t *testing.T) {
	for _, code := range Codes() {
		if blame[code] == "" {
			t.Fatalf("%s: no list of words that blame", code)
		}
		never := regexp.MustCompile(`(?i)(?:^|[^\p{L}])(` + blame[code] + `)(?:[^\p{L}]|$)`)
		l, _ := For(code)
		walk(l, func(where, s string) {
			group, _, _ := strings.Cut(where, "[")
			switch group {
			case "Captions", "Cards", "Findings", "Drills", "Care", "Chains", "Page", "Standing", "Gains", "Progress", "NumberCards", "Mail":
				if m := never.FindStringSubmatch(s); m != nil {
					t.Errorf("%s: %s says %q: %q", code, where, m[1], s)
				}
			}
		})
		for k, s := range languages[code].Care {
			if strings.ContainsAny(braces.ReplaceAllString(s, ""), "0123456789") {
				t.Errorf("%s: the caution %s has a number: %q", code, k, s)
			}
		}
		if code == "en" && never.FindString("The swing was bad.") == "" {
			t.Error("the pattern sees no blame")
		}
	}
}
