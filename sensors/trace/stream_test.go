package trace

import (
	"bytes"
	"io"
	"runtime"
	"testing"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/sim"

	"github.com/google/go-cmp/cmp"
)

// endless writes a room's polls as they are read, n of them.
type endless struct {
	polls int
	at    time.Time
	buf   bytes.Buffer
	w     *Writer
}

func (e *endless) Read(p []byte) (int, error) {
	for e.buf.Len() == 0 {
		if e.polls == 0 {
			return 0, io.EOF
		}
		e.polls--
		e.at = e.at.Add(10 * time.Second)
		for i := range 48 {
			row := Row{Time: e.at, Probe: sensors.ProbeID('A' + rune(i)), Has: both, Temperature: 2300 + sensors.CentiCelsius(i), Humidity: 8500}
			if err := e.w.Write(row); err != nil {
				return 0, err
			}
		}
		if err := e.w.Flush(); err != nil {
			return 0, err
		}
	}
	return e.buf.Read(p)
}

// A file forty times as long takes no more memory.
func TestMemoryStaysConstant(t *testing.T) {
	held := func(polls int) uint64 {
		src := &endless{polls: polls, at: utc(2026, 1, 1, 0, 0, 0)}
		src.w = NewWriter(&src.buf)
		r, err := NewReader(src, "trace", time.UTC)
		if err != nil {
			t.Fatal(err)
		}
		rows := 0
		for {
			if _, err := r.Next(); err == io.EOF {
				break
			} else if err != nil {
				t.Fatal(err)
			}
			rows++
		}
		if rows != 48*polls {
			t.Fatalf("%d rows of %d polls", rows, polls)
		}
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		runtime.KeepAlive(r)
		return m.HeapAlloc
	}
	short := held(200)
	long := held(8000)
	if long > short+128<<10 {
		t.Errorf("%d KiB held after 9,600 rows, %d KiB after 384,000", short>>10, long>>10)
	}
}

// A simulated day, faults and all, written down and read back.
func TestRecordedRoom(t *testing.T) {
	o := sim.Options{
		Seed: 1, Start: time.Date(2026, 10, 25, 0, 0, 0, 0, time.FixedZone("", 7200)),
		Enclosures: []sim.Enclosure{{Enclosure: configs.Enclosure{ID: "a"}}},
		Probes:     []sim.Probe{{ID: "litter", Enclosure: "a", Place: "litter"}, {ID: "cup", Enclosure: "a", Place: "water", NoHumidity: true}},
	}
	room, err := sim.New(o)
	if err != nil {
		t.Fatal(err)
	}
	silent := sim.Fault{Kind: sim.ProbeSilent, On: sim.Target{Probe: "litter"}, From: o.Start.Add(6 * time.Hour), To: o.Start.Add(7 * time.Hour)}
	if err := room.Inject(silent); err != nil {
		t.Fatal(err)
	}
	var want []Row
	var file bytes.Buffer
	w := NewWriter(&file)
	for line := 2; room.Now().Before(o.Start.Add(24 * time.Hour)); {
		room.Advance(time.Minute)
		for _, p := range o.Probes {
			row := Row{Time: room.Now().UTC(), Probe: p.ID, Line: line}
			if s, err := room.Sample(p.ID); err == nil {
				row.Has, row.Temperature, row.Humidity = s.Has, s.Temperature, s.Humidity
			}
			if err := w.Write(row); err != nil {
				t.Fatal(err)
			}
			want = append(want, row)
			line++
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	got, faults := readAll(t, &file, "trace", time.UTC)
	if diff := cmp.Diff(want, got); diff != "" || faults != nil {
		t.Errorf("(-want +got):\n%s faults %q", diff, faults)
	}
	gaps := 0
	for _, row := range got {
		if row.Has == 0 {
			gaps++
		}
	}
	if gaps != 60 {
		t.Errorf("%d rows without a value, want those of the silent hour", gaps)
	}
}
