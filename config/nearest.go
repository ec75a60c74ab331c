package config

import (
	"fmt"
	"strings"

	"github.com/agnivade/levenshtein"
)

// unknown says that there is no such thing, and which one was perhaps meant:
// the nearest, where at most two letters, or a third of them, are off.
func unknown(kind, name string, known []string) string {
	best, off := "", len(name)+1
	for _, k := range known {
		if d := levenshtein.ComputeDistance(strings.ToLower(name), k); d < off {
			best, off = k, d
		}
	}
	if off <= max(2, len(best)/3) {
		return fmt.Sprintf("no %s is called %q; did you mean %q?", kind, name, best)
	}
	return fmt.Sprintf("no %s is called %q; there are %s", kind, name, strings.Join(known, ", "))
}
