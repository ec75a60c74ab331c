package config

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"golang.org/x/text/encoding/unicode"
)

func rosterFile(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

const rosterCSV = `id,first_name,bats,height,level,sport,language,guardian_email,consent_film,consent_mail,withdrawn_film,withdrawn_mail
b07,Ada,L,4ft11in,youth,softball,en,"pat@example.org, kim@example.org",2026-01-10,2026-01-10,,2026-06-01
c12,,S,"1,52m",,,es,,2026-01-11,,,
`

// The same roster in every form a spreadsheet may write it in, and as YAML.
func TestRosterForms(t *testing.T) {
	utf16, err := unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewEncoder().String(strings.ReplaceAll(rosterCSV, "\n", "\r\n"))
	if err != nil {
		t.Fatal(err)
	}
	semicolons := strings.NewReplacer(`"pat@example.org, kim@example.org"`, "pat@example.org kim@example.org", `"1,52m"`, "1;52m", ",", ";").Replace(rosterCSV)
	semicolons = strings.Replace(semicolons, "1;52m", "1,52m", 1)
	var want *Roster
	for _, c := range []struct{ name, text string }{
		{"plain.csv", rosterCSV},
		{"mark.csv", "\ufeff" + rosterCSV},
		{"lines.csv", strings.ReplaceAll(rosterCSV, "\n", "\r\n")},
		{"semicolons.csv", semicolons},
		{"tabs.txt", strings.ReplaceAll(semicolons, ";", "\t")},
		{"utf16.csv", utf16},
		{"tail.csv", rosterCSV + ",,,,,,,,,,,\n\n"},
		{"capitals.csv", strings.Replace(rosterCSV, "first_name", "First_Name", 1)},
		{"a.yaml", `players:
  - {id: b07, first_name: Ada, bats: L, height: 4ft11in, level: youth, sport: softball, language: en, guardian_email: [pat@example.org, kim@example.org], consent_film: 2026-01-10, consent_mail: 2026-01-10, withdrawn_mail: 2026-06-01}
  - {id: c12, bats: S, height: "1,52m", language: es, consent_film: 2026-01-11}
`},
	} {
		r, err := ReadRoster(rosterFile(t, c.name, c.text))
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if want == nil {
			want = r
			a, ok := r.Player("b07")
			if !ok || len(r.Players) != 2 || a.FirstName != "Ada" || a.HeightCM < 149.8 || a.HeightCM > 149.9 || len(a.Guardians) != 2 || r.Players[1].HeightCM != 152 || r.Players[1].Line != 3 {
				t.Fatalf("%+v", r.Players)
			}
			continue
		}
		for i := range r.Players {
			r.Players[i].Line = want.Players[i].Line // YAML has no header
		}
		if !reflect.DeepEqual(r, want) {
			t.Errorf("%s: %+v", c.name, r.Players)
		}
	}
}

func TestConsentByDay(t *testing.T) {
	r, err := ReadRoster(rosterFile(t, "r.csv", rosterCSV))
	if err != nil {
		t.Fatal(err)
	}
	a, _ := r.Player("b07")
	c, _ := r.Player("c12")
	for day, want := range map[string]bool{"2026-01-09": false, "2026-01-10": true, "2026-05-31": true, "2026-06-01": false, "2026-07-01": false} {
		d, _ := time.Parse(time.DateOnly, day)
		if a.Mail.On(d) != want {
			t.Errorf("mail on %s: %v", day, !want)
		}
		if c.Mail.On(d) {
			t.Errorf("mail without consent on %s", day)
		}
	}
}

// Every slip is one line with file, line and column.
func TestRosterSlips(t *testing.T) {
	head := "id,height,guardian_email,consent_film,withdrawn_film,bats,level\n"
	for text, want := range map[string]string{
		"":                                      "r.csv:1: is empty",
		"id\n":                                  "names no player",
		"name\nAda\n":                           "r.csv:1: no column is called \"name\"",
		"id,hieght\n":                           "did you mean \"height\"?",
		"height\n150cm\n":                       "no column \"id\"",
		"id,id\na,b\n":                          "stands twice",
		head + "Ada B,,,,,,\n":                  "r.csv:2: id:",
		head + "a,,,,,,\nb,12,,,,,\n":           "r.csv:3: height:",
		head + "a,,pat@,,,,\n":                  "guardian_email:",
		head + "a,,Pat <p@example.org>,,,,\n":   "guardian_email:",
		head + "a,,,3.5.2026,,,\n":              "consent_film:",
		head + "a,,,,2026-01-01,,\n":            "withdrawn_film: there is no consent",
		head + "a,,,,,X,\n":                     "bats:",
		head + "a,,,,,,youht\n":                 "did you mean \"youth\"?",
		head + "a,,,,,,\na,,,,,,\n":             "r.csv:3: id: \"a\" stands in line 2 already",
		head + "a,1,,,,,\nb,1,,,,,\nc,1,,,,,\n": "r.csv:2: height: \"1\" is not a height; write 170cm, 1.70m, 67in or 5ft7in; and 2 more",
		head + "a,,\n":                          "r.csv:2: wrong number of fields",
		head + "a,\"x,,,,,\n":                   "r.csv:2:",
		head + "a,,\xff,,,,\n":                  "is not UTF-8",
		"PK\x03\x04 a workbook":                 "is a spreadsheet's own file",
	} {
		_, err := ReadRoster(rosterFile(t, "r.csv", text))
		if err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%.60q: %v; want %q", text, err, want)
		}
	}
	for text, want := range map[string]string{
		"players: 3": "r.yaml:1: a roster is a list",
		"players:\n- {id: a}\n- {id: b, hieght: 1}": "r.yaml:3: no key is called",
		"players:\n- {id: a, id: b}":                "already",
		"players:\n- {id: [a]}":                     "id: one value",
		"a: [":                                      "r.yaml:",
	} {
		_, err := ReadRoster(rosterFile(t, "r.yaml", text))
		if err == nil || !strings.Contains(err.Error(), want) && !strings.Contains(err.Error(), "stands twice") || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: %v; want %q", text, err, want)
		}
	}
	if _, err := ReadRoster(t.TempDir()); err == nil {
		t.Error("a folder was read")
	}
}
