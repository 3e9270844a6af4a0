package trace

import (
	"bytes"
	"errors"
	"strings"
	"testing"
	"time"

	"dewline/configs/draws"
	"dewline/sensors"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestWrite(t *testing.T) {
	var b bytes.Buffer
	w := NewWriter(&b)
	east := time.FixedZone("", 2*3600)
	for _, row := range []Row{
		{Time: time.Date(2026, 7, 1, 15, 0, 0, 0, east), Probe: "a1", Has: both, Temperature: 2345, Humidity: 8400},
		{Time: utc(2026, 7, 1, 13, 0, 0), Probe: `x "y", z`, Has: sensors.HasTemperature, Temperature: -5},
		{Time: utc(2026, 7, 1, 13, 0, 10).Add(1500 * time.Microsecond), Probe: "a1"},
	} {
		if err := w.Write(row); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	const want = "time,probe,temperature_c,humidity_pct\n" +
		"2026-07-01T13:00:00Z,a1,23.45,84.00\n" +
		"2026-07-01T13:00:00Z,\"x \"\"y\"\", z\",-0.05,\n" +
		"2026-07-01T13:00:10.0015Z,a1,,\n"
	if diff := cmp.Diff(want, b.String()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestWriteNothing(t *testing.T) {
	var b bytes.Buffer
	if err := NewWriter(&b).Flush(); err != nil || b.String() != Header+"\n" {
		t.Errorf("got %q, %v; want the header alone", b.String(), err)
	}
}

func TestWriteRefusesNames(t *testing.T) {
	for _, name := range []string{"", " a", "a ", "a\nb", strings.Repeat("x", 129)} {
		if err := NewWriter(new(bytes.Buffer)).Write(Row{Probe: sensors.ProbeID(name)}); err == nil {
			t.Errorf("probe %q was written", name)
		}
	}
}

// full is a card without room.
type full struct{}

var errFull = errors.New("no space left")

func (full) Write([]byte) (int, error) { return 0, errFull }

func TestWriteFull(t *testing.T) {
	w := NewWriter(full{})
	err := w.Write(Row{Time: utc(2026, 1, 1, 0, 0, 0), Probe: "a"})
	if err == nil {
		err = w.Flush()
	}
	if !errors.Is(err, errFull) {
		t.Errorf("got %v, want %v", err, errFull)
	}
}

// What is written is read back to the last digit.
func TestRoundTrip(t *testing.T) {
	draws.Check(t, func(t *rapid.T) {
		at := utc(2026, 1, 1, 0, 0, 0)
		var rows []Row
		var b bytes.Buffer
		w := NewWriter(&b)
		for i := range rapid.IntRange(0, 40).Draw(t, "rows") {
			at = at.Add(time.Duration(rapid.Int64Range(1, 1e13).Draw(t, "gap")))
			row := Row{
				Time:  at,
				Probe: sensors.ProbeID(rapid.StringMatching(`[a-z"é,][a-z0-9 ",\-]{0,8}[a-z",]`).Draw(t, "probe")),
				Has:   sensors.Quantities(rapid.IntRange(0, 3).Draw(t, "has")),
				Line:  i + 2,
			}
			if row.Has&sensors.HasTemperature != 0 {
				row.Temperature = sensors.CentiCelsius(rapid.Int32Range(coldest, hottest).Draw(t, "temperature"))
			}
			if row.Has&sensors.HasHumidity != 0 {
				row.Humidity = sensors.CentiPercent(rapid.Int32Range(driest, wettest).Draw(t, "humidity"))
			}
			if err := w.Write(row); err != nil {
				t.Fatal(err)
			}
			rows = append(rows, row)
		}
		if err := w.Flush(); err != nil {
			t.Fatal(err)
		}
		got, faults := drain(b.String())
		if diff := cmp.Diff(rows, got); diff != "" || faults != nil {
			t.Fatalf("(-want +got):\n%s faults %q", diff, faults)
		}
	})
}

// drain reads a whole text for tests that have no testing.TB.
func drain(text string) (rows []Row, faults []error) {
	r, err := NewReader(strings.NewReader(text), "trace", time.UTC)
	if err != nil {
		return nil, []error{err}
	}
	for {
		row, err := r.Next()
		var bad *LineError
		if errors.As(err, &bad) {
			faults = append(faults, err)
			continue
		}
		if err != nil {
			return rows, faults
		}
		rows = append(rows, row)
	}
}
