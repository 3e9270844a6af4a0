package event

import (
	"slices"
	"testing"
	"time"
)

// One pulse has one line, and the first verdict that says something stands.
func TestMists_oneLineForEach(t *testing.T) {
	at := time.Date(2026, 7, 15, 8, 0, 0, 0, time.UTC)
	var all Mists
	for _, m := range []Mist{
		{Verdict: MistUnplanned, Start: at.Add(-time.Minute)}, // it peaked before it was due
		{Due: at, Verdict: MistGiven, Start: at.Add(-time.Minute)},
		{Due: at, Verdict: MistUnclear}, // once more, after a crash
		{Due: at, Verdict: MistMissed},
		{Due: at.Add(12 * time.Hour), Verdict: MistUnclear},
		{Due: at.Add(14 * time.Hour), Verdict: MistUnclear},
		{Due: at.Add(14 * time.Hour), Verdict: MistMissed},
		{Verdict: MistUnplanned, Start: at.Add(5 * time.Hour)},
	} {
		all.Take(m)
	}
	var got []string
	for _, m := range all {
		got = append(got, m.Verdict)
	}
	want := []string{MistGiven, MistUnclear, MistMissed, MistUnplanned}
	if !slices.Equal(got, want) {
		t.Errorf("verdicts %v, want %v", got, want)
	}
}
