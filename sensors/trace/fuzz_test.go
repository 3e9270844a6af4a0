package trace

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"
)

// Whatever the bytes, reading ends, lines are numbered in order, and every row
// that is good can be written and read back the same.
func FuzzReader(f *testing.F) {
	f.Add([]byte(Header + "\n2026-07-01T13:00:00Z,a,23.45,80\n"))
	f.Add([]byte(occupancy))
	f.Add([]byte(appliances))
	f.Add([]byte(Header + "\r\n\"2026-07-01T13:00:00.5+02:00\",\"a\"\"b\",-0.005,\n\n,,,\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		r, err := NewReader(bytes.NewReader(text), "trace", time.UTC)
		if err != nil {
			return
		}
		last := 0
		for range len(text) + 2 {
			row, err := r.Next()
			var bad *LineError
			if errors.As(err, &bad) {
				if bad.Line < last {
					t.Fatalf("line %d after %d", bad.Line, last)
				}
				last = bad.Line
				continue
			}
			if err == io.EOF {
				return
			}
			if err != nil || row.Line < last {
				t.Fatalf("row %+v after line %d: %v", row, last, err)
			}
			last = row.Line
			sameAgain(t, row)
		}
		t.Fatal("no end")
	})
}

// A line that is read in one go means what it does field by field.
func FuzzAgain(f *testing.F) {
	f.Add("2026-07-01T13:00:00Z,a,23.45,80\n2026-07-01T13:00:00Z,b,1,2\n2026-07-01T13:00:10Z,a,23,80\n2026-07-01T13:00:10Z,b,-3.5,80.1")
	f.Add("2026-07-01T13:00:00Z,a,1,2\n2026-07-01T13:00:00Z,b,1,2\n2026-07-01T13:00:00Z,a,1,2\n2026-07-01T13:00:00Z,b,1,2\n")
	f.Add("2026-07-01T13:00:00Z,\"a,b\",1,2\n2026-07-01T13:00:10Z,\"a,b\",1,2\n2026-07-01T13:00:10Z,a,b,1,2\n2026-07-01T13:00:20Z,c,1,2\n2026-07-01T13:00:20Z,a,b,1,2")
	f.Add("\"2026-07-01T13:00:00,5Z\",a,1,2\n\"2026-07-01T13:00:00,5Z\",b,1,2\n2026-07-01T13:00:00,5Z,a,1,2\n2026-07-01T13:00:01,5Z,b,1,2")
	f.Add("2026-07-01T13:00:00Z,a,1,2\n2026-07-01T13:00:00Z,b,1,2\n2029-07-01T13:00:00Z,a,1,2\n2029-07-01T13:00:00Z,b,1,2\n2026-07-01T13:00:00Z,a,9999,2\n")
	f.Add("2026-07-01T13:00:00Z,a,1,2\n2026-07-01T13:00:00Z,b,1,2\n2026-07-01T13:00:10Z,a,,\n2026-07-01T13:00:10Z,b, 1,2\n2026-07-01T13:00:20Z,a,1,2,3\n2026-07-01T13:00:20Z,b,1,\"2\"\n")
	f.Fuzz(func(t *testing.T, text string) {
		fast, err := NewReader(strings.NewReader(Header+"\n"+text), "trace", time.UTC)
		if err != nil {
			t.Fatal(err)
		}
		slow, err := NewReader(strings.NewReader(Header+"\n"+text), "trace", time.UTC)
		if err != nil {
			t.Fatal(err)
		}
		for {
			slow.before = nil // who knows not what comes next reads field by field
			want, wantErr := slow.Next()
			got, gotErr := fast.Next()
			if got != want || fmt.Sprint(gotErr) != fmt.Sprint(wantErr) {
				t.Fatalf("read in one go as %+v, %v; field by field as %+v, %v", got, gotErr, want, wantErr)
			}
			if wantErr == io.EOF {
				return
			}
		}
	})
}

func sameAgain(t *testing.T, row Row) {
	var b bytes.Buffer
	w := NewWriter(&b)
	if err := errors.Join(w.Write(row), w.Flush()); err != nil {
		t.Fatalf("write %+v: %v", row, err)
	}
	rows, faults := drain(b.String())
	if len(rows) != 1 || faults != nil {
		t.Fatalf("%q read as %+v, %v", b.String(), rows, faults)
	}
	got := rows[0]
	if !got.Time.Equal(row.Time) || got.Probe != row.Probe || got.Has != row.Has ||
		got.Temperature != row.Temperature || got.Humidity != row.Humidity {
		t.Fatalf("wrote %+v, read %+v", row, got)
	}
}

// A time that is taken is the one that package time reads.
func FuzzTime(f *testing.F) {
	for _, s := range []string{
		"2026-07-01T13:00:00Z", "2024-02-29T23:59:59.999999999-07:30", "2026-07-01T13:00:00.123456789012Z",
		"0000-01-01T00:00:00+23:59", "9999-12-31T23:59:59Z", "2026-07-01T13:00:00", "2026-02-29T00:00:00Z",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		m := moments{loc: time.UTC}
		got, err := m.read([]byte(s))
		want, wantErr := time.Parse(time.RFC3339, s)
		if err == nil {
			if wantErr != nil { // lower case and the space are ours to take
				want, wantErr = time.Parse(time.RFC3339, upper(s))
			}
			if wantErr != nil { // without a zone it is UTC, as asked for here
				want, wantErr = time.Parse(time.RFC3339, upper(s)+"Z")
			}
			if wantErr != nil || !got.Equal(want) {
				t.Fatalf("%q read as %s; package time says %s, %v", s, got, want, wantErr)
			}
		}
		again, err2 := m.read([]byte(s))
		if (err == nil) != (err2 == nil) || !again.Equal(got) {
			t.Fatalf("%q read as %s, then as %s", s, got, again)
		}
	})
}

func upper(s string) string {
	b := bytes.ToUpper([]byte(s))
	b[10] = 'T'
	return string(b)
}

// What package time writes is taken.
func TestTimeWritten(t *testing.T) {
	at := time.Date(1999, 12, 31, 23, 59, 59, 987654321, time.UTC)
	for i := range 2000 {
		at = at.Add(time.Duration(i) * 79 * time.Minute)
		zoned := at.In(time.FixedZone("", (i%49-24)*1800))
		m := moments{loc: time.UTC}
		for _, layout := range []string{time.RFC3339, time.RFC3339Nano} {
			s := zoned.Format(layout)
			want, err := time.Parse(layout, s)
			if err != nil {
				t.Fatal(err)
			}
			if got, err := m.read([]byte(s)); err != nil || !got.Equal(want) {
				t.Fatalf("%s read as %s, %v", s, got, err)
			}
		}
	}
}

// A number that is taken is the one that strconv reads, to the hundredth.
func FuzzHundredths(f *testing.F) {
	for _, s := range []string{"23.45", "-0.005", "+1", ".5", "5.", "6.25e+00", "1e3", "999999.999", "0x1p4", "1_0", "-", "."} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, ok := hundredths([]byte(s))
		if !ok {
			return
		}
		if slow, can := decimal([]byte(s)); !can || slow != got {
			t.Fatalf("%q read as %d hundredths, and the long way as %d, %v", s, got, slow, can)
		}
		want, err := strconv.ParseFloat(s, 64)
		if err != nil || math.Abs(float64(got)/100-want) > 0.0050001 {
			t.Fatalf("%q read as %d hundredths; strconv says %g, %v", s, got, want, err)
		}
	})
}

// What is read without a float is what the float says.
func TestHundredths_Plain(t *testing.T) {
	for v := int32(-110000); v <= 110000; v += 3 {
		for _, s := range []string{
			strconv.FormatFloat(float64(v)/100, 'f', 2, 64), strconv.FormatFloat(float64(v)/10, 'f', 1, 64), strconv.Itoa(int(v)),
		} {
			got, n := plain([]byte(s))
			if want, can := decimal([]byte(s)); n != len(s) || !can || got != want {
				t.Fatalf("%q: %d of %d bytes, and by its float %d, %v", s, got, n, want, can)
			}
		}
	}
}

// Halves go away from zero by the decimal digits, so that a value that passes
// through a file twice is not moved by the float between.
func TestHundredths(t *testing.T) {
	for s, want := range map[string]int32{
		"0": 0, "23.45": 2345, "23.454": 2345, "23.455": 2346, "1.005": 101, "-1.005": -101,
		"-0.004999": 0, "19.890000000000001": 1989, " ": -1, "1.2.3": -1, "--1": -1, "1e9": -1,
		"2147483648": -1, "99999.99": 9999999, "2.5e1": 2500, "1e": -1, "0x1p-2": -1, "inf": -1,
	} {
		got, ok := hundredths([]byte(s))
		if !ok {
			got = -1
		}
		if got != want {
			t.Errorf("%q: %d, want %d", s, got, want)
		}
	}
}
