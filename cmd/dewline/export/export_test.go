package export

import (
	"context"
	"fmt"
	"io"
	"iter"
	"runtime"
	"strings"
	"testing"
	"time"

	"dewline/sensors"
	"dewline/store"
)

// An endless source makes up readings as they are asked for: every ten seconds
// within a span, for so many probes.
type endless struct {
	probes   int
	from, to time.Time
}

func (e endless) Probes() (out []sensors.ProbeID) {
	for i := range e.probes {
		out = append(out, sensors.ProbeID(fmt.Sprint("probe-", i)))
	}
	return out
}

func (e endless) Readings(_ context.Context, p sensors.ProbeID, from, to time.Time) iter.Seq2[sensors.Reading, error] {
	return func(yield func(sensors.Reading, error) bool) {
		at := e.from
		if from.After(at) {
			at = from.Add(9999 * time.Millisecond).Truncate(10 * time.Second)
		}
		for ; at.Before(to) && at.Before(e.to); at = at.Add(10 * time.Second) {
			r := sensors.Reading{Probe: p, At: sensors.Instant{Wall: at, Synced: true}, Has: sensors.HasTemperature, Quality: sensors.Good}
			r.Temperature = sensors.CentiCelsius(2000 + at.Unix()/10%500)
			if !yield(r, nil) {
				return
			}
		}
	}
}

// A weigher counts what is written, and now and then the heap in use.
type weigher struct {
	written, calls int
	most           uint64
}

func (w *weigher) Write(b []byte) (int, error) {
	w.written += len(b)
	if w.calls++; w.calls%16 == 0 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		w.most = max(w.most, m.HeapAlloc)
	}
	return len(b), nil
}

// TestMemoryStaysConstant exports five times as long a span and asks that the
// heap in use is no larger.
func TestMemoryStaysConstant(t *testing.T) {
	start := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	most := func(format string, days int) uint64 {
		var w weigher
		src := endless{probes: 48, from: start, to: start.AddDate(0, 0, days)}
		res, err := Write(t.Context(), &w, src, Request{Format: format, From: start, To: start.AddDate(1, 0, 0)})
		if err != nil || res.Readings != 48*8640*days || res.Probes != 48 || w.most == 0 {
			t.Fatalf("%s: %+v, %d bytes: %v", format, res, w.written, err)
		}
		return w.most
	}
	for _, format := range []string{"csv", "openmetrics"} {
		short, long := most(format, 1), most(format, 5)
		t.Logf("%s: %.1f MB in use for one day of 48 probes, %.1f MB for five", format, float64(short)/1e6, float64(long)/1e6)
		if long > short+short/4+1<<20 || long > 64<<20 {
			t.Errorf("%s: %d bytes in use for five days, %d for one", format, long, short)
		}
	}
}

// A listed source holds what a test gives it.
type listed map[sensors.ProbeID][]any // readings and errors

func (l listed) Probes() []sensors.ProbeID { return []sensors.ProbeID{"a", `b"\`} }

func (l listed) Readings(_ context.Context, p sensors.ProbeID, from, to time.Time) iter.Seq2[sensors.Reading, error] {
	return func(yield func(sensors.Reading, error) bool) {
		for _, x := range l[p] {
			r, ok := x.(sensors.Reading)
			if err, isErr := x.(error); isErr && !yield(sensors.Reading{}, err) {
				return
			}
			if ok && !r.At.Wall.Before(from) && r.At.Wall.Before(to) && !yield(r, nil) {
				return
			}
		}
	}
}

func reading(p sensors.ProbeID, at time.Time, t sensors.CentiCelsius) sensors.Reading {
	return sensors.Reading{Probe: p, At: sensors.Instant{Wall: at, Synced: true}, Has: sensors.HasTemperature, Temperature: t, Quality: sensors.Good}
}

// TestDamageIsLeftOutAndCounted asks that a damaged part of the record does not
// keep the rest from being exported, that years without readings are stepped
// over, and that OpenMetrics has no two samples at one time.
func TestDamageIsLeftOutAndCounted(t *testing.T) {
	day := func(n int) time.Time { return time.Date(2020, 1, n, 0, 0, 0, 0, time.UTC) }
	late := day(1).AddDate(6, 0, 0)
	damage := fmt.Errorf("one block: %w", store.ErrDamaged)
	src := listed{
		"a":   {reading("a", day(1), 2101), reading("a", day(1), 2102), reading("a", late, 2103)},
		`b"\`: {reading(`b"\`, day(1), 2201), damage, reading(`b"\`, late, 2202)},
	}
	for format, want := range map[string][]string{
		"csv": {"2020-01-01T00:00:00Z,a,21.01,", "2020-01-01T00:00:00Z,a,21.02,", "22.01,", "2026-01-01T00:00:00Z,a,21.03,", "22.02,"},
		"openmetrics": {`dewline_probe_temperature_celsius{probe="a"} 21.01 1577836800.000`, `{probe="a"} 21.03 1767225600.000`,
			`{probe="b\"\\"} 22.01 1577836800.000`, `{probe="b\"\\"} 22.02 `, "# EOF"},
	} {
		var b strings.Builder
		res, err := Write(t.Context(), &b, src, Request{Format: format, From: day(1), To: late.AddDate(1, 0, 0)})
		if err != nil || res.Readings != 5 || res.Damaged == 0 || !strings.Contains(res.Fault, "one block") {
			t.Errorf("%s: %+v, %v", format, res, err)
		}
		if !res.First.Equal(day(1)) || !res.Last.Equal(late) || (res.Twice == 1) != (format == "openmetrics") {
			t.Errorf("%s: %+v", format, res)
		}
		rest := b.String()
		for _, w := range want {
			_, after, ok := strings.Cut(rest, w)
			if !ok {
				t.Fatalf("%s: no %q, in this order, in\n%s", format, w, b.String())
			}
			rest = after
		}
	}
	src["a"] = append(src["a"], io.ErrUnexpectedEOF)
	if _, err := Write(t.Context(), io.Discard, src, Request{Format: "csv", From: day(1), To: late.AddDate(1, 0, 0)}); err == nil {
		t.Error("an export that could not be finished counts as done")
	}
}

// TestWindowDividesTheDay asks that windows do not drift through the day and hold
// about as many readings as they may.
func TestWindowDividesTheDay(t *testing.T) {
	for _, probes := range []int{1, 7, 8, 48, 60, 200, 1000} {
		w := window(probes)
		rows := probes * int(w/(10*time.Second))
		if 24*time.Hour%w != 0 || rows > windowRows || rows < min(windowRows/4, probes*8640) {
			t.Errorf("%d probes: %s, %d readings", probes, w, rows)
		}
	}
}
