package block

import (
	"bytes"
	"encoding/binary"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"dewline/configs/draws"

	"pgregory.net/rapid"
)

// TestChecksum checks against the test vectors of RFC 3720, appendix B.4.
func TestChecksum(t *testing.T) {
	rising := make([]byte, 32)
	for i := range rising {
		rising[i] = byte(i)
	}
	for _, c := range []struct {
		in   []byte
		want uint32
	}{
		{make([]byte, 32), 0x8a9136aa},
		{bytes.Repeat([]byte{0xff}, 32), 0x62a8ab43},
		{rising, 0x46dd794e},
	} {
		if got := Checksum(c.in); got != c.want {
			t.Errorf("checksum of % x is %08x, want %08x", c.in, got, c.want)
		}
	}
}

func column(t testing.TB, v []int64) []byte {
	t.Helper()
	var w columnWriter
	var r columnReader
	b := w.append(nil, v)
	got := make([]int64, len(v))
	rest, err := r.read(append(slices.Clone(b), 1, 2, 3), got)
	if err != nil || !slices.Equal(got, v) || !bytes.Equal(rest, []byte{1, 2, 3}) {
		t.Fatalf("column %v came back as %v with % x left: %v", v, got, rest, err)
	}
	return b
}

// TestColumnCoders gives each coder the column that it is there for.
func TestColumnCoders(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	noise := func(n int, sigma float64) []int64 {
		v := make([]int64, n)
		for i := range v {
			v[i] = int64(math.Round(rng.NormFloat64() * sigma))
		}
		return v
	}
	steps := make([]int64, 3000)
	for i := range steps {
		steps[i] = int64(i / 1000)
	}
	wild := make([]int64, 400)
	for i := range wild {
		wild[i] = int64(rng.Uint64())
	}
	sparse := func(v []int64, f func(int64) int64) []int64 {
		for i := range v {
			v[i] = f(v[i])
		}
		return v
	}
	ramp := make([]int64, 5000) // 1 s more in each 30 readings or so
	for i := range ramp {
		ramp[i] = int64(i) + rng.Int64N(15)
	}
	missed := make([]int64, 5000) // one in 30
	for i := range missed[1:] {
		missed[i+1] = missed[i]
		if rng.IntN(30) == 0 {
			missed[i+1] += 300_000
		}
	}
	for _, c := range []struct {
		name  string
		v     []int64
		coder byte
		most  int // bytes
	}{
		{"empty", nil, 0, 0},
		{"constant", make([]int64, 5000), coderNone, 2},
		{"two steps", steps, coderSparse, 9},
		{"short noise", noise(50, 4), coderRice, 40},
		{"long noise", noise(5000, 4), coderRANS, 5000*41/80 + 40}, // a normal's entropy is log2(σ√(2πe)) = 4.05 bits
		{"rare events", noise(5000, 0.3), coderRANS, 750},
		{"any bits", wild, coderRice, 400*10 + 30},
		{"extremes", []int64{math.MinInt64, math.MaxInt64, 0, math.MinInt64, -1, math.MaxInt64}, headLevels & 3, 70},
		{"tenths", sparse(noise(5000, 4), func(x int64) int64 { return 10 * x }), headLevels & 3, 5000*41/80 + 50},
		{"sixteenths", sparse(noise(5000, 4), func(x int64) int64 { return 625 * x / 100 }), headLevels & 3, 5000*41/80 + 60},
		{"tenths, few", sparse(noise(100, 4), func(x int64) int64 { return 10*x + 3 }), headLevels & 3, 64},
		{"polls that were missed", missed, headLevels & 3, 5000*27/1000 + 40}, // an entropy of 0.21 bits
		{"whole seconds that drift", sparse(ramp, func(x int64) int64 { return x / 30 * 1000 }), headLevels & 3, 720},
	} {
		b := column(t, c.v)
		if len(b) > c.most {
			t.Errorf("%s takes %d bytes, want at most %d", c.name, len(b), c.most)
		}
		if len(b) > 0 && b[0]&3 != c.coder {
			t.Errorf("%s went through coder %d, want %d", c.name, b[0]&3, c.coder)
		}
		if len(c.v) > 0 && bytes.HasPrefix(b, []byte{headLevels}) {
			checkLevels(t, c.name, b, c.v)
		}
	}
}

// checkLevels asks that levels with a place beyond them, or levels of levels, are refused.
func checkLevels(t *testing.T, name string, b []byte, v []int64) {
	t.Helper()
	var r columnReader
	if _, err := r.plain(b, make([]int64, len(v))); !errors.Is(err, ErrCorrupt) {
		t.Errorf("%s: levels inside of levels: %v", name, err)
	}
	places := binary.AppendVarint([]byte{headLevels, 1}, 7)
	places = binary.AppendVarint(append(places, coderNone), 1)
	again := []byte{headLevels, 0, 10, 0, headLevels, 0, 10, 0, coderNone, 2}
	for what, b := range map[string][]byte{
		"a place beyond the levels": places, "a divisor of multiples": again, "no divisor": {headLevels, 0, 0, 0, coderNone, 2},
	} {
		if _, err := r.read(b, make([]int64, 3)); !errors.Is(err, ErrCorrupt) {
			t.Errorf("%s: %v", what, err)
		}
	}
}

// TestColumnRoundTrip is the same for any column at all.
func TestColumnRoundTrip(t *testing.T) {
	draws.Check(t, func(t *rapid.T) {
		size := rapid.IntRange(0, 700).Draw(t, "size")
		scale := rapid.SampledFrom([]int64{0, 1, 3, 60, 5000, math.MaxInt64 / 2}).Draw(t, "scale")
		v := rapid.SliceOfN(rapid.Int64Range(-scale, scale), size, size).Draw(t, "v")
		var w columnWriter
		var r columnReader
		got := make([]int64, len(v))
		rest, err := r.read(w.append(nil, v), got)
		if err != nil || len(rest) != 0 || !slices.Equal(got, v) {
			t.Fatalf("came back as %v, %d bytes left: %v", got, len(rest), err)
		}
	})
}

// anyRecord draws a record whose unnamed fields are zero, as Record asks.
func anyRecord() *rapid.Generator[Record] {
	return rapid.Custom(func(t *rapid.T) Record {
		r := Record{
			Mono: rapid.Int64().Draw(t, "mono"), Wall: rapid.Int64().Draw(t, "wall"),
			Has: rapid.Uint8Range(0, 7).Draw(t, "has"), RawHas: rapid.Uint8Range(0, 7).Draw(t, "rawHas"),
			Quality: rapid.Byte().Draw(t, "quality"), Reason: rapid.Byte().Draw(t, "reason"), Synced: rapid.Bool().Draw(t, "synced"),
		}
		for q := range r.Value {
			if r.Has>>q&1 != 0 {
				r.Value[q] = rapid.Int32().Draw(t, "value")
			}
			if r.RawHas>>q&1 != 0 {
				r.Raw[q] = rapid.Int32().Draw(t, "raw")
			}
		}
		return r
	})
}

func TestSetRoundTrip(t *testing.T) {
	draws.Check(t, func(t *rapid.T) {
		series := rapid.SliceOfN(rapid.SliceOfN(anyRecord(), 0, 12), 0, 6).Draw(t, "series")
		ids := rapid.SliceOfN(rapid.IntRange(0, 5000), len(series), len(series)).Draw(t, "ids")
		var e Encoder
		var d Decoder
		b, err := e.AppendSet(nil, ids, series)
		if err != nil {
			t.Fatal(err)
		}
		at := 0
		err = d.DecodeSet(b, func(id int, recs []Record) {
			if id != ids[at] || !slices.Equal(recs, series[at]) {
				t.Fatalf("series %d (%d) came back as %d: %+v", at, ids[at], id, recs)
			}
			at++
		})
		if err != nil || at != len(series) {
			t.Fatalf("%d of %d series: %v", at, len(series), err)
		}
	})
}

func TestSpansRoundTrip(t *testing.T) {
	draws.Check(t, func(t *rapid.T) {
		three := rapid.Custom(func(t *rapid.T) Three {
			return Three{rapid.Int32().Draw(t, "min"), rapid.Int32().Draw(t, "mean"), rapid.Int32().Draw(t, "max")}
		})
		spans := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Span {
			ms := rapid.Int64Range(0, 1<<40)
			return Span{Start: rapid.Int64().Draw(t, "start"), Count: rapid.Int32().Draw(t, "count"), Has: rapid.Byte().Draw(t, "has"),
				Temp: three.Draw(t, "temp"), Hum: three.Draw(t, "hum"), VPD: three.Draw(t, "vpd"),
				InBand: ms.Draw(t, "in"), Below: ms.Draw(t, "below"), Above: ms.Draw(t, "above"), Covered: ms.Draw(t, "covered")}
		}), 0, 20).Draw(t, "spans")
		var e Encoder
		var d Decoder
		b, err := e.AppendSpans(nil, 600_000, spans)
		if err != nil {
			t.Fatal(err)
		}
		got, err := d.DecodeSpans(nil, b)
		if err != nil || !slices.Equal(got, spans) {
			t.Fatalf("came back as %+v: %v", got, err)
		}
	})
}

// TestCalibratedHumidityIsFree asks that a corrected column costs next to
// nothing beside its raw one, be it shifted, scaled or clipped at 100 %.
func TestCalibratedHumidityIsFree(t *testing.T) {
	size := func(gain, offset float64) int {
		recs := room(3, 8640)
		for i := range recs {
			v := math.Round(float64(recs[i].Raw[1])*gain + offset*100)
			recs[i].Value[1] = int32(min(max(v, 0), 10000))
		}
		var e Encoder
		b, err := e.Append(nil, recs)
		if err != nil {
			t.Fatal(err)
		}
		return len(b)
	}
	plain := size(1, 0)
	for _, c := range [][2]float64{{1, -2.5}, {1, 12}, {1.02, -1.7}, {0.97, 4}} {
		if extra := size(c[0], c[1]) - plain; extra > plain/50 {
			t.Errorf("gain %v, offset %v cost %d bytes on top of %d", c[0], c[1], extra, plain)
		}
	}
}

// TestDamagedBlock flips every bit of a block once: none may pass.
func TestDamagedBlock(t *testing.T) {
	var e Encoder
	var d Decoder
	b, err := e.Append(nil, room(5, 40))
	if err != nil {
		t.Fatal(err)
	}
	for bit := range 8 * len(b) {
		bad := slices.Clone(b)
		bad[bit/8] ^= 1 << (bit % 8)
		if _, err := d.Decode(nil, bad); !errors.Is(err, ErrCorrupt) {
			t.Fatalf("bit %d flipped: %v", bit, err)
		}
	}
	for n := range b {
		if _, err := d.Decode(nil, b[:n]); !errors.Is(err, ErrCorrupt) {
			t.Fatalf("cut to %d bytes: %v", n, err)
		}
	}
}

// FuzzDecode feeds any bytes, under a right checksum, to every decoder.
func FuzzDecode(f *testing.F) {
	var e Encoder
	one, _ := e.Append(nil, room(1, 30))
	long, _ := e.Append(nil, room(2, 600))
	set, _ := e.AppendSet(nil, []int{3, 1}, [][]Record{room(1, 6), room(2, 7)})
	spans, _ := e.AppendSpans(nil, 600_000, []Span{{Start: 600_000, Count: 60, Has: 3}, {Start: 1_200_000}})
	for _, b := range [][]byte{one, long, set, spans} {
		f.Add(b[:len(b)-4])
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		var d Decoder
		b := seal(slices.Clone(body), 0)
		recs, err := d.Decode(nil, b)
		if err == nil && len(recs) > 5000 {
			return // a few bytes can stand for many records; packing them again takes long
		}
		if err == nil {
			again, err := e.Append(nil, recs)
			if err != nil {
				t.Fatal(err)
			}
			if back, err := d.Decode(nil, again); err != nil || !slices.Equal(back, recs) {
				t.Fatalf("%+v came back as %+v: %v", recs, back, err)
			}
		} else if !errors.Is(err, ErrCorrupt) {
			t.Fatal(err)
		}
		if err := d.DecodeSet(b, func(int, []Record) {}); err != nil && !errors.Is(err, ErrCorrupt) {
			t.Fatal(err)
		}
		if _, err := d.DecodeSpans(nil, b); err != nil && !errors.Is(err, ErrCorrupt) {
			t.Fatal(err)
		}
	})
}
