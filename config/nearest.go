package config

import (
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strings"

	"github.com/agnivade/levenshtein"
)

// Unknown says that there is no such thing, and which one was perhaps meant:
// the nearest, where at most two letters, or a third of them, are off.
func Unknown(kind, name string, known []string) string {
	if best := nearest(name, known); best != "" {
		return fmt.Sprintf("no %s is called %q; did you mean %q?", kind, name, best)
	}
	return fmt.Sprintf("no %s is called %q; there are %s", kind, name, strings.Join(known, ", "))
}

// nearest of the known ones, "" where none is near.
func nearest(name string, known []string) string {
	best, off := "", len(name)+1
	for _, k := range known {
		if d := levenshtein.ComputeDistance(strings.ToLower(name), k); d < off {
			best, off = k, d
		}
	}
	if off <= max(2, len(best)/3) {
		return best
	}
	return ""
}

// unknownKey is Unknown for a dotted key: one of its last name in another
// place is near, too.
func unknownKey(name string, known []string) string {
	last := func(s string) string { return s[strings.LastIndex(s, ".")+1:] }
	var lasts []string
	for _, k := range known {
		lasts = append(lasts, last(k))
	}
	if near := nearest(last(name), lasts); near != "" && nearest(name, known) == "" {
		return fmt.Sprintf("no key is called %q; did you mean %q?", name, known[slices.Index(lasts, near)])
	}
	return Unknown("key", name, known)
}

// unknownField is how yaml says that a struct has no such key.
var unknownField = regexp.MustCompile(`field (.+?) not found in type (?:[\w.]+|struct \{[^}]*\})`)

// yamlKeys says yaml's complaints about keys of the struct in our words, with
// the nearest right ones.
func yamlKeys(complaint string, of any) string {
	known := yamlNames("", reflect.TypeOf(of))
	return unknownField.ReplaceAllStringFunc(complaint, func(s string) string {
		return unknownKey(unknownField.FindStringSubmatch(s)[1], known)
	})
}

// yamlNames lists the dotted keys of a struct, those of lists in it, too.
func yamlNames(prefix string, t reflect.Type) (out []string) {
	for i := range t.NumField() {
		own, _, _ := strings.Cut(t.Field(i).Tag.Get("yaml"), ",")
		key := prefix + own
		out = append(out, key)
		in := t.Field(i).Type
		for in.Kind() == reflect.Slice || in.Kind() == reflect.Pointer {
			in = in.Elem()
		}
		if in.Kind() == reflect.Struct {
			out = append(out, yamlNames(key+".", in)...)
		}
	}
	return out
}
