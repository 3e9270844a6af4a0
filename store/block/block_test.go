package block

import (
	"slices"
	"testing"
)

// TestSizeAgainstEntropy compares blocks with the order-zero entropy of first
// differences, which prediction can beat and no plain delta coder can. The goal is
// 1.10 times that bound for what stays on the card: whole days. Hours, packed in
// haste and packed again at the end of the day, may take 1.15 times.
func TestSizeAgainstEntropy(t *testing.T) {
	for _, c := range []struct {
		records int
		quick   bool
		most    float64 // times the bound of the day; 0 where the block's head decides
	}{{8640, false, 1.10}, {720, false, 1.10}, {360, false, 1.10}, {360, true, 1.15}, {30, true, 0}, {6, true, 0}} {
		e := Encoder{Quick: c.quick}
		var d Decoder
		var size, count int
		var least float64
		for seed := range uint64(8) {
			recs := room(seed, c.records)
			b, err := e.Append(nil, recs)
			if err != nil {
				t.Fatal(err)
			}
			got, err := d.Decode(nil, b)
			if err != nil || !slices.Equal(got, recs) {
				t.Fatalf("seed %d, %d records: %v", seed, c.records, err)
			}
			size, count, least = size+len(b), count+c.records, least+bound(room(seed, 8640))*float64(c.records)
		}
		ratio := float64(size) / least
		if c.most > 0 && ratio > c.most {
			t.Errorf("%d records, quick %v, take %.3f times the entropy bound, the goal is %.2f", c.records, c.quick, ratio, c.most)
		}
		t.Logf("%5d records, quick %-5v: %.3f bytes a reading, bound of the day %.3f, ratio %.3f",
			c.records, c.quick, float64(size)/float64(count), least/float64(count), ratio)
	}
}

// BenchmarkDecode unpacks a day of one probe, as one block and as the hours that it
// is before it is over.
func BenchmarkDecode(b *testing.B) {
	for name, size := range map[string]int{"day": 8640, "hours": 360} {
		b.Run(name, func(b *testing.B) {
			e := Encoder{Quick: size < 8640}
			var blocks [][]byte
			for recs := range slices.Chunk(room(1, 8640), size) {
				blk, err := e.Append(nil, recs)
				if err != nil {
					b.Fatal(err)
				}
				blocks = append(blocks, blk)
			}
			var d Decoder
			dst := make([]Record, 0, 8640)
			for b.Loop() {
				dst = dst[:0]
				for _, blk := range blocks {
					var err error
					if dst, err = d.Decode(dst, blk); err != nil {
						b.Fatal(err)
					}
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/8640, "ns/reading")
		})
	}
}

func BenchmarkEncodeDay(b *testing.B) {
	var e Encoder
	recs := room(1, 8640)
	var blk []byte
	for b.Loop() {
		blk, _ = e.Append(blk[:0], recs)
	}
}

// TestNothing packs series without a record, alone and beside one that has some.
func TestNothing(t *testing.T) {
	var e Encoder
	var d Decoder
	b, err := e.Append(nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := d.Decode(nil, b); err != nil || len(got) != 0 {
		t.Errorf("%d records from none: %v", len(got), err)
	}
	series := [][]Record{nil, room(1, 3), nil}
	if b, err = e.AppendSet(nil, []int{4, 5, 9}, series); err != nil {
		t.Fatal(err)
	}
	err = d.DecodeSet(b, func(id int, recs []Record) {
		if want := series[map[int]int{4: 0, 5: 1, 9: 2}[id]]; !slices.Equal(recs, want) {
			t.Errorf("series %d is %+v, not %+v", id, recs, want)
		}
	})
	if err != nil {
		t.Error(err)
	}
}

// TestCommonStep counts distances that come in runs and alternate.
func TestCommonStep(t *testing.T) {
	for want, steps := range map[int64][]int64{0: nil, 10: {10, 10, 20, 10}, 20: {10, 20, 10, 20, 20}, 7: {7, 9}, 5: {5, 5, 6, 6, 6, 5, 5}} {
		recs := make([]Record, 1)
		for _, d := range steps {
			recs = append(recs, Record{Mono: recs[len(recs)-1].Mono + d})
		}
		if got := commonStep([][]Record{recs}); got != want {
			t.Errorf("the step of %v is said to be %d", steps, got)
		}
	}
}

// TestTimesTakeAlmostNothing counts what the stamps of a day cost: on the grid,
// and with a gap and one late reading.
func TestTimesTakeAlmostNothing(t *testing.T) {
	var e Encoder
	size := func(change func([]Record)) int {
		recs := room(3, 8640)
		change(recs)
		b, err := e.Append(nil, recs)
		if err != nil {
			t.Fatal(err)
		}
		return len(b)
	}
	even := size(func([]Record) {})
	uneven := size(func(recs []Record) {
		recs[100].Mono += 1300
		for i := range recs[5000:] {
			recs[5000+i].Mono += 600_000
		}
	})
	if extra := uneven - even; extra < 0 || extra > 40 {
		t.Errorf("a gap and a late reading cost %d bytes", extra)
	}
}

// TestOneIsUnlike changes one record of a block whose others are alike: all come back.
func TestOneIsUnlike(t *testing.T) {
	for name, change := range map[string]func(r *Record){
		"quality":             func(r *Record) { r.Quality = 1 },
		"clock set":           func(r *Record) { r.Synced = false },
		"clock stepped":       func(r *Record) { r.Wall += 60_000 },
		"late":                func(r *Record) { r.Mono, r.Wall = r.Mono+1000, r.Wall+1000 },
		"no humidity":         func(r *Record) { r.Has, r.Value[1] = Temperature, 0 },
		"no raw humidity":     func(r *Record) { r.RawHas, r.Raw[1] = Temperature, 0 },
		"light":               func(r *Record) { r.Has, r.Value[2] = r.Has|Light, 300 },
		"calibrated away":     func(r *Record) { r.Value[0] += 7 },
		"wider than a sensor": func(r *Record) { r.Raw[0], r.Value[0] = 1<<24+12, 1<<24 },
	} {
		recs := room(3, 360)
		change(&recs[200])
		var e Encoder
		b, err := e.Append(nil, recs)
		if err != nil {
			t.Fatal(err)
		}
		var d Decoder
		if got, err := d.Decode(nil, b); err != nil || !slices.Equal(got, recs) {
			t.Errorf("%s: did not come back: %v", name, err)
		}
	}
}
