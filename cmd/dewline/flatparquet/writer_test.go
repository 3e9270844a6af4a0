package flatparquet_test

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"dewline/cmd/dewline/flatparquet"
)

type row struct {
	At    time.Time `parquet:"at,timestamp(millisecond)"`
	Name  string    `parquet:"name"`
	Value *float64  `parquet:"value,optional"`
	On    bool      `parquet:"on"`
}

// write makes a file of n rows and returns what it should hold.
func write(t *testing.T, n int) (*bytes.Buffer, []row) {
	t.Helper()
	rng := rand.New(rand.NewPCG(1, uint64(n)))
	at, name, value, on := flatparquet.Time("at"), flatparquet.Text("name"), flatparquet.Number("value"), flatparquet.Bool("on")
	var out bytes.Buffer
	f, err := flatparquet.New(&out, at.Column, name.Column, value.Column, on.Column)
	if err != nil {
		t.Fatal(err)
	}
	want := make([]row, n)
	for i := range want {
		r := row{At: time.UnixMilli(1_780_000_000_000 + 10_000*int64(i)).UTC(), Name: fmt.Sprint("moß-", i%7), On: rng.IntN(3) == 0}
		v := rng.NormFloat64()
		if i%5 != 2 {
			r.Value = &v
		}
		at.Add(r.At.UnixMilli())
		name.Add(r.Name)
		value.Add(v, r.Value != nil)
		on.Add(r.On)
		if err := f.EndRow(); err != nil {
			t.Fatal(err)
		}
		want[i] = r
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	return &out, want
}

// The general reader of parquet-go reads back what was written, with no row, a
// part of a byte of levels, and several row groups.
func TestReadByReferenceLibrary(t *testing.T) {
	for _, n := range []int{0, 1, 7, 8, 9, 1000, 120_001} {
		file, want := write(t, n)
		got, err := parquet.Read[row](bytes.NewReader(file.Bytes()), int64(file.Len()))
		if err != nil || len(got) != n {
			t.Fatalf("%d rows: read %d, %v", n, len(got), err)
		}
		for i, w := range want {
			g := got[i]
			if !g.At.Equal(w.At) || g.Name != w.Name || g.On != w.On || (g.Value == nil) != (w.Value == nil) || g.Value != nil && *g.Value != *w.Value {
				t.Fatalf("%d rows: row %d is %+v, want %+v", n, i, g, w)
			}
		}
	}
}

// The footer says what the columns are, so that other programs see times and
// texts and not numbers and bytes.
func TestSchema(t *testing.T) {
	file, _ := write(t, 100)
	f, err := parquet.OpenFile(bytes.NewReader(file.Bytes()), int64(file.Len()))
	if err != nil {
		t.Fatal(err)
	}
	want := `message row {
	required int64 at (TIMESTAMP(isAdjustedToUTC=true,unit=MILLIS));
	required binary name (STRING);
	optional double value;
	required boolean on;
}`
	if got := f.Schema().String(); got != want {
		t.Errorf("%s\nwant\n%s", got, want)
	}
}

func TestEndRow_Incomplete(t *testing.T) {
	at, name := flatparquet.Time("at"), flatparquet.Text("name")
	f, err := flatparquet.New(new(bytes.Buffer), at.Column, name.Column)
	if err != nil {
		t.Fatal(err)
	}
	at.Add(0)
	if err := f.EndRow(); err == nil || err.Error() != "column name has 0 values in 1 rows" {
		t.Errorf("a row without a name: %v", err)
	}
}

var errFull = errors.New("no space left")

// A full is a writer with room for some bytes.
type full struct{ room int }

func (f *full) Write(b []byte) (int, error) {
	if f.room -= len(b); f.room < 0 {
		return 0, errFull
	}
	return len(b), nil
}

// A full disk is told of wherever it fills up: in the magic, a page, the footer.
func TestFullDisk(t *testing.T) {
	for room := 0; room < 400; room += 7 {
		at := flatparquet.Time("at")
		f, err := flatparquet.New(&full{room: room}, at.Column)
		for i := 0; err == nil && i < 50_001; i++ {
			at.Add(int64(i))
			err = f.EndRow()
		}
		if err == nil {
			err = f.Close()
		}
		if !errors.Is(err, errFull) {
			t.Fatalf("with room for %d bytes: %v", room, err)
		}
	}
}
