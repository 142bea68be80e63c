package diag

import (
	"sort"
	"strings"
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
		d := distance(w, strings.ToLower(k))
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

// distance is the optimal string alignment distance.
func distance(a, b string) int {
	before, previous, current := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range previous {
		previous[j] = j
	}
	for i := 1; i <= len(a); i++ {
		current[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			current[j] = min(previous[j]+1, current[j-1]+1, previous[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				current[j] = min(current[j], before[j-2]+1)
			}
		}
		before, previous, current = previous, current, before
	}
	return previous[len(b)]
}
