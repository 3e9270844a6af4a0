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

func BenchmarkDecodeDay(b *testing.B) {
	var e Encoder
	var d Decoder
	blk, _ := e.Append(nil, room(1, 8640))
	var dst []Record
	for b.Loop() {
		var err error
		if dst, err = d.Decode(dst[:0], blk); err != nil {
			b.Fatal(err)
		}
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
