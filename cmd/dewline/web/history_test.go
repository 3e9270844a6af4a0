package web

import (
	"net/http/httptest"
	"testing"
	"time"

	"dewline/sensors"
	"dewline/store"
)

// TestHistoryIsNeverCutShort asks for more readings, and for more hours, than one
// answer holds: it gets a coarser level with the whole span in it.
func TestHistoryIsNeverCutShort(t *testing.T) {
	st, _, err := store.Open(t.Context(), store.Options{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close(t.Context())
	began := time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)
	at := sensors.Instant{Wall: began, Synced: true}
	const days = 3
	var sum float64
	for i := range days * 8640 * 5 { // every two seconds
		r := sensors.Reading{Probe: "p", At: at, Has: sensors.HasTemperature, Temperature: sensors.CentiCelsius(2000 + i/21600), Quality: sensors.Good}
		r.Raw = sensors.Sample{Has: r.Has, Temperature: r.Temperature}
		if i < 43_200 {
			sum += r.Temperature.Celsius() / 43_200
		}
		st.Append(r)
		at = at.Add(2 * time.Second)
		if i%1800 == 0 {
			if err := st.Flush(t.Context(), nil); err != nil {
				t.Fatal(err)
			}
		}
	}
	req := httptest.NewRequestWithContext(t.Context(), "GET", "/", nil)
	if rows, whole, err := rawHistory(req, st, "p", began, began.Add(10*time.Hour)); len(rows) != 18_000 || !whole || err != nil {
		t.Errorf("ten hours: %d rows, whole %v: %v", len(rows), whole, err)
	}
	if rows, whole, err := rawHistory(req, st, "p", began, began.Add(12*time.Hour)); whole || err != nil {
		t.Errorf("twelve hours: %d rows pass for all of them: %v", len(rows), err)
	}
	rows, err := summedHistory(req, st, "p", began.AddDate(-4, 0, 0), began.AddDate(0, 0, days))
	if err != nil || len(rows) != days {
		t.Fatalf("%d rows, want a row a day: %v", len(rows), err)
	}
	first := rows[0]
	if !first.Time.Equal(began) || *first.TempMin != 20 || *first.TempMax != 20.01 || first.Gap != 0 ||
		*first.TempMean < sum-0.006 || *first.TempMean > sum+0.006 {
		t.Errorf("the first day is %+v with a mean of %v, want %v", first, *first.TempMean, sum)
	}
}
