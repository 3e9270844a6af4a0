package store

import (
	"context"
	"testing"
	"time"
)

func TestReadingsSurviveReopening(t *testing.T) {
	dir := memDir(t)
	s, rep := open(t, dir)
	if !rep.Fresh {
		t.Fatalf("first open reports %+v", rep)
	}
	r := newRoom(1, 12)
	want := fill(t, s, r, 51*time.Hour)
	check := func(s *Store) {
		t.Helper()
		for _, p := range r.probes {
			compare(t, readAll(t, s, p, time.Time{}, start.AddDate(1, 0, 0)), want[p])
		}
		p := r.probes[3]
		from, to := start.Add(20*time.Hour+7*time.Second), start.Add(30*time.Hour)
		compare(t, readAll(t, s, p, from, to), want[p][20*360+1:30*360])
	}
	check(s)
	if err := s.Close(context.Background()); err != nil {
		t.Fatal(err)
	}
	s, rep = open(t, dir)
	if rep.Fresh || rep.Damage != nil {
		t.Fatalf("second open reports %+v", rep)
	}
	check(s)
	st := s.Stats()
	t.Logf("%+v", st)
	if st.Unwritten != 0 || st.Blocks == 0 {
		t.Fatalf("stats after reopening: %+v", st)
	}
}
