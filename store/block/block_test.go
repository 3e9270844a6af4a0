package block

import (
	"slices"
	"testing"
)

// TestSizeAgainstEntropy compares blocks with the order-zero entropy of first
// differences, which prediction can beat and no plain delta coder can.
func TestSizeAgainstEntropy(t *testing.T) {
	var e Encoder
	var d Decoder
	for _, n := range []int{6, 30, 360, 720, 8640} {
		var size, count int
		var least float64
		for seed := range uint64(8) {
			recs := room(seed, n)
			b, err := e.Append(nil, recs)
			if err != nil {
				t.Fatal(err)
			}
			got, err := d.Decode(nil, b)
			if err != nil || !slices.Equal(got, recs) {
				t.Fatalf("seed %d, %d records: %v", seed, n, err)
			}
			size, count, least = size+len(b), count+n, least+bound(room(seed, 8640))*float64(n)
		}
		if ratio := float64(size) / least; n >= 360 && ratio > 1.10 {
			t.Errorf("%d records take %.3f times the entropy bound", n, ratio)
		}
		t.Logf("%5d records: %.3f bytes a reading, bound of the day %.3f, ratio %.3f",
			n, float64(size)/float64(count), least/float64(count), float64(size)/least)
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

// TestSteps counts distances that come in runs and alternate.
func TestSteps(t *testing.T) {
	for want, steps := range map[int64][]int64{0: nil, 10: {10, 10, 20, 10}, 20: {10, 20, 10, 20, 20}, 7: {7, 9}} {
		var s Steps
		for _, d := range steps {
			s.Add(d)
		}
		if got, _ := s.Most(); got != want {
			t.Errorf("the most frequent of %v is said to be %d", steps, got)
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
