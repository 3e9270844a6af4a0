package store

import (
	"bytes"
	"context"
	"os"
	"strconv"
	"testing"

	"dewline/sensors"
)

// TestSizeAndWear measures the whole file and what was written for it, with batches, an
// hourly Tidy, and the state of the rules four times a day as the daemon does: 140 kB for 48
// enclosures, measured by json and flate of a simulated room's. The bands are such
// that some probes are outside at times. One day of 48 probes by
// default; DEWLINE_STORE_DAYS=30 for a whole month.
func TestSizeAndWear(t *testing.T) {
	days := 1
	if v, err := strconv.Atoi(os.Getenv("DEWLINE_STORE_DAYS")); err == nil {
		days = v
	}
	s, _ := open(t, memDir(t))
	low, high, floor := sensors.CentiCelsius(2200), sensors.CentiCelsius(2600), sensors.CentiPercent(7300)
	s.SetLimits(func(sensors.ProbeID, sensors.Instant) Limits { return Limits{Low: &low, High: &high, Floor: &floor} })
	s.db.NoSync = true // the bytes are the same, and the test takes seconds
	r := newRoom(1, 48)
	for batch := range days * 480 {
		for range 18 {
			for _, x := range r.next() {
				s.Append(x)
			}
		}
		var state []byte
		if batch%120 == 0 {
			state = bytes.Repeat([]byte{byte(batch / 120)}, 140_000)
		}
		if err := s.Flush(context.Background(), state); err != nil {
			t.Fatal(err)
		}
		if batch%20 == 19 {
			if _, err := s.Tidy(context.Background()); err != nil {
				t.Fatal(err)
			}
		}
	}
	st := s.Stats()
	readings := float64(days * 8640 * 48)
	t.Logf("%d days: file %.3f bytes a reading (%.3f of them free), written %.1f bytes a reading, %.2f MB a day",
		days, float64(st.FileBytes)/readings, float64(st.FreeBytes)/readings,
		float64(st.BytesWritten)/readings, float64(st.BytesWritten)/1e6/float64(days))
	if wear := float64(st.BytesWritten) / 1e6 / float64(days); wear > 5.8 {
		t.Errorf("%.2f MB a day were written, the most so far is 5.5 with the state, the goal 6", wear)
	}
	if size := float64(st.FileBytes) / readings; days >= 30 && size > 1.5 {
		t.Errorf("the file takes %.3f bytes a reading, the goal is 1.5", size)
	}
	if err := s.Close(context.Background()); err != nil {
		t.Fatal(err)
	}
	open(t, s.opt.Dir)
}
