package configs

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// longestTypo bounds the work for a key that is no word at all.
const longestTypo = 64

// nearest returns the name with the smallest edit distance to got, empty where
// none is near enough to be a typing error. Equally near names go by the
// alphabet. One or two letters are near everything and so suggest nothing.
func nearest(got string, names []string) string {
	if len(got) < 3 || len(got) > longestTypo {
		return ""
	}
	names = slices.Sorted(slices.Values(names))
	best, bestDistance := "", max(1, len(got)/3)+1
	for _, name := range names {
		if d := editDistance(strings.ToLower(got), name); d < bestDistance {
			best, bestDistance = name, d
		}
	}
	return best
}

// didYouMean proposes the nearest known name, else another advice.
func didYouMean(got string, known []string, otherwise string) string {
	if best := nearest(got, known); best != "" {
		return fmt.Sprintf("did you mean %q?", best)
	}
	return otherwise
}

// listed quotes names in alphabetical order, or says that there are none.
func listed(names []string) string {
	if len(names) == 0 {
		return "none"
	}
	return quoteJoin(slices.Compact(slices.Sorted(slices.Values(names))))
}

// editDistance counts the insertions, deletions, replacements and swaps of
// neighbours that turn a into b (optimal string alignment), in bytes.
func editDistance(a, b string) int {
	before, last := make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row := make([]int, len(b)+1)
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last = last, row
	}
	return last[len(b)]
}

func quoteJoin(names []string) string {
	quoted := make([]string, len(names))
	for i, n := range names {
		quoted[i] = strconv.Quote(n)
	}
	return strings.Join(quoted, ", ")
}
