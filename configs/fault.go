package configs

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Severity says what a fault keeps from happening.
type Severity uint8

const (
	// Unusable leaves no room to watch.
	Unusable Severity = iota
	// Refused is not put in force; where it is already, the watch still starts.
	Refused
)

// A Fault is one thing wrong in a configuration file.
type Fault struct {
	File string `json:"file"`
	Line int    `json:"line"` // from 1
	Col  int    `json:"col"`  // from 1, in characters
	What string `json:"what"` // is wrong
	Do   string `json:"do"`   // to put it right

	Severity Severity `json:"-"`
}

// String returns "file:line:col: what; do".
func (f Fault) String() string {
	return fmt.Sprintf("%s:%d:%d: %s; %s", f.File, f.Line, f.Col, f.What, f.Do)
}

// Faults are all the faults of one file, in the order of their positions.
type Faults []Fault

// Error returns one line per fault.
func (f Faults) Error() string {
	lines := make([]string, len(f))
	for i, x := range f {
		lines[i] = x.String()
	}
	return strings.Join(lines, "\n")
}

// usable reports whether a room can be watched all the same.
func (f Faults) usable() bool {
	return !slices.ContainsFunc(f, func(x Fault) bool { return x.Severity == Unusable })
}

// mostFaults is how many faults are told at once; a file with more is no
// configuration, and looking for the word meant by each takes time.
const mostFaults = 500

// atMost says in the last of n faults that there are more.
func (f Faults) atMost(n int) Faults {
	if len(f) <= n {
		return f
	}
	f[n-1].What, f[n-1].Do = "more faults from here on", "correct those before first, then check again"
	return f[:n]
}

func (f Faults) tidy() Faults {
	slices.SortStableFunc(f, func(a, b Fault) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Col, b.Col), cmp.Compare(a.What, b.What))
	})
	return slices.Compact(f)
}

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
