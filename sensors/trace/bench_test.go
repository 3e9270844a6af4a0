package trace

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"testing"
	"time"
)

// sampleFile is a room of 48 probes for some polls of 10 s.
func sampleFile(polls int) []byte {
	var b bytes.Buffer
	b.WriteString(Header + "\n")
	at := utc(2026, 7, 1, 0, 0, 0)
	for i := range polls {
		stamp := at.Add(time.Duration(i) * 10 * time.Second).Format(time.RFC3339)
		for p := range 48 {
			fmt.Fprintf(&b, "%s,a%02d-litter,%.2f,%.2f\n", stamp, p, 20+float64((i*7+p)%600)/100, 80+float64((i*3+p)%1900)/100)
		}
	}
	return b.Bytes()
}

func drainFile(b *testing.B, file []byte) (rows int) {
	r, err := NewReader(bytes.NewReader(file), "trace", time.UTC)
	if err != nil {
		b.Fatal(err)
	}
	for {
		if _, err := r.Next(); err == io.EOF {
			return rows
		} else if err != nil {
			b.Fatal(err)
		}
		rows++
	}
}

// Compare with the standard library's way, in one run:
//
//	go test -run xxx -bench Read ./sensors/trace
func BenchmarkReader(b *testing.B) {
	file := sampleFile(1000)
	b.SetBytes(int64(len(file)))
	b.ReportAllocs()
	rows := 0
	for b.Loop() {
		rows += drainFile(b, file)
	}
	b.ReportMetric(float64(rows)/b.Elapsed().Seconds()/1e6, "Mrows/s")
}

func BenchmarkReadStandard(b *testing.B) {
	file := sampleFile(1000)
	b.SetBytes(int64(len(file)))
	b.ReportAllocs()
	rows := 0
	for b.Loop() {
		r := csv.NewReader(bytes.NewReader(file))
		r.ReuseRecord = true
		if _, err := r.Read(); err != nil {
			b.Fatal(err)
		}
		for {
			fields, err := r.Read()
			if err == io.EOF {
				break
			}
			_, err1 := time.Parse(time.RFC3339, fields[0])
			_, err2 := strconv.ParseFloat(fields[2], 64)
			_, err3 := strconv.ParseFloat(fields[3], 64)
			if err != nil || err1 != nil || err2 != nil || err3 != nil {
				b.Fatal(err, err1, err2, err3)
			}
			rows++
		}
	}
	b.ReportMetric(float64(rows)/b.Elapsed().Seconds()/1e6, "Mrows/s")
}

func BenchmarkWriter(b *testing.B) {
	row := Row{Time: utc(2026, 7, 1, 0, 0, 0), Probe: "a01-litter", Has: both, Temperature: 2345, Humidity: 8410}
	w := NewWriter(io.Discard)
	b.ReportAllocs()
	for b.Loop() {
		if err := w.Write(row); err != nil {
			b.Fatal(err)
		}
	}
}

// A row of dewline's own form costs no allocation once its probe is known.
func TestReadAllocates(t *testing.T) {
	file := sampleFile(100)
	r, err := NewReader(bytes.NewReader(file), "trace", time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	next := func() {
		if _, err := r.Next(); err != nil {
			t.Fatal(err)
		}
	}
	for range 48 {
		next()
	}
	if n := testing.AllocsPerRun(4000, next); n != 0 {
		t.Errorf("%g allocations a row", n)
	}
}
