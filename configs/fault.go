package configs

import (
	"cmp"
	"fmt"
	"slices"
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
