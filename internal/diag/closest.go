package diag

import (
	"sort"
	"strings"

	"fourwire/internal/spelling"
)

// Closest gives the known word nearest to word by edits (insert, delete, change, swap of neighbours), case ignored. It says
// no when even the nearest differs by more than a third of its length, rounded up.
func Closest(word string, known []string) (string, bool) {
	best, bestDistance := "", -1
	sorted := append([]string(nil), known...)
	sort.Strings(sorted)
	w := strings.ToLower(word)
	if len(w) > 64 {
		return "", false
	}
	for _, k := range sorted {
		d := spelling.Distance(w, strings.ToLower(k))
		if limit := (max(len(k), len(w)) + 2) / 3; d > limit {
			continue
		}
		if bestDistance < 0 || d < bestDistance {
			best, bestDistance = k, d
		}
	}
	return best, bestDistance >= 0
}

// Suggest is a hint for an unknown word: the closest known one, or all of them where none is close.
func Suggest(word string, known []string) string {
	if near, ok := Closest(word, known); ok {
		return "did you mean " + near + "?"
	}
	if len(known) == 0 || len(known) > 24 {
		return ""
	}
	sorted := append([]string(nil), known...)
	sort.Strings(sorted)
	return "known here: " + strings.Join(sorted, ", ")
}
