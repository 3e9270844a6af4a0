// Package draws checks properties with the same draws in every run, so that a
// rare one does not fail who changed something else; -rapid.seed asks for others.
// Nothing but tests imports it.
package draws

import (
	"flag"
	"fmt"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

// Check is rapid.Check from a seed that is known.
func Check(t *testing.T, property func(*rapid.T)) {
	t.Helper()
	Checks(t, 1, property)
}

// Checks is n of them, each with other draws.
func Checks(t *testing.T, n int, property func(*rapid.T)) {
	t.Helper()
	seed := flag.Lookup("rapid.seed").Value
	asked, err := strconv.ParseUint(seed.String(), 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = seed.Set(fmt.Sprint(asked)) }()
	for i := range n {
		next := asked + uint64(i)*1_000_003
		if asked == 0 {
			next++ // rapid takes 0 for a seed of its own
		}
		if err := seed.Set(fmt.Sprint(next)); err != nil {
			t.Fatal(err)
		}
		rapid.Check(t, property)
	}
}
