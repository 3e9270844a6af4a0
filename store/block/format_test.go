package block

import (
	"os"
	"slices"
	"testing"
)

// oldRecords are the readings inside testdata/format-1.block, made from whole
// numbers alone so that every machine makes the same: a walk with noise, two
// calibrations, a spell without humidity, a gap, a late reading and a step of the
// clock.
func oldRecords() []Record {
	const n = 1500
	seed := uint32(2463534242)
	noise := func(span int32) int32 { // Marsaglia's xorshift, J. Stat. Softw. 8 (14), 2003
		seed ^= seed << 13
		seed ^= seed >> 17
		seed ^= seed << 5
		return int32(seed%uint32(2*span+1)) - span
	}
	recs := make([]Record, n)
	temp, hum := int32(2310), int32(8120)
	for i := range recs {
		temp, hum = temp+noise(3)+(2400-temp)/200, hum+noise(12)+(8000-hum)/100
		r := Record{Mono: int64(i) * 10_000, Has: Temperature | Humidity | Light, Quality: 2, Synced: i > 40}
		if i > 700 {
			r.Mono += 3_600_000
		}
		if i == 300 {
			r.Mono += 1700
		}
		r.Wall = r.Mono + 1_790_000_000_000
		if i > 1000 {
			r.Wall += 90_500
		}
		r.RawHas = r.Has
		if i%400 > 380 {
			r.RawHas, r.Has, r.Quality, r.Reason = Temperature, Temperature, 1, 7
		}
		r.Raw[0], r.Value[0] = temp, temp-15
		if r.Has&Humidity != 0 {
			r.Raw[1], r.Value[1] = hum, hum+hum/50-130
			r.Raw[2], r.Value[2] = int32(i/250*900), int32(i/250*900)
		}
		recs[i] = r
	}
	return recs
}

// TestFormatStays decodes a block that an earlier build wrote: what is on a card
// must stay readable, so a change of the coder is a new format, not another
// meaning of this one. The files were written by Encoder.Append (quick, then not)
// and AppendSet, each with its length in front.
func TestFormatStays(t *testing.T) {
	for _, name := range []string{"format-1", "format-4"} {
		t.Run(name, func(t *testing.T) { checkFormat(t, "testdata/"+name+".block") })
	}
}

func checkFormat(t *testing.T, file string) {
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	next := func() []byte {
		n, rest, err := readUvarint(b)
		if err != nil || n > uint64(len(rest)) {
			t.Fatalf("the file ends early: %v", err)
		}
		out := rest[:n]
		b = rest[n:]
		return out
	}
	want := oldRecords()
	var d Decoder
	for _, name := range []string{"quick", "thorough"} {
		got, err := d.Decode(nil, next())
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("the %s block came back as %d other records: %v", name, len(got), err)
		}
	}
	err = d.DecodeSet(next(), func(id int, recs []Record) {
		if from := id * 10; !slices.Equal(recs, want[from:from+7]) {
			t.Errorf("series %d came back as %+v", id, recs)
		}
	})
	if err != nil || len(b) != 0 {
		t.Errorf("%d bytes left: %v", len(b), err)
	}
}
