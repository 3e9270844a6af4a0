package store

import (
	"testing"
	"time"
)

// TestBulkPacksDays fills with a flush an hour, as an import does: hours must
// still become days, and all that was appended must come back.
func TestBulkPacksDays(t *testing.T) {
	t.Parallel()
	s, _ := open(t, memDir(t))
	s.db.NoSync = true
	r := newRoom(23, 2)
	n := 0
	for range 100 {
		for range 360 {
			for _, x := range r.next() {
				s.Append(x)
				n++
			}
		}
		if err := s.Flush(ctx, nil); err != nil {
			t.Fatal(err)
		}
	}
	if st := s.Stats(); st.Blocks > 3+maxHours+1 {
		t.Errorf("%d bundles of four days: hours do not become days", st.Blocks)
	}
	got := 0
	for _, p := range r.probes {
		got += len(readAll(t, s, p, time.Time{}, farFuture))
		if hours := len(rollupsOf(t, s, p, Hour, time.Time{}, farFuture)); hours < 100 || hours > 101 {
			t.Errorf("%d hours of probe %s", hours, p)
		}
	}
	if got != n {
		t.Errorf("%d readings of %d", got, n)
	}
}
