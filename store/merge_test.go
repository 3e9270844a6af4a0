package store

import (
	"bytes"
	"testing"

	"dewline/store/block"
)

// TestMergeSpans joins two passes over one span of time, as a clock that was set
// back makes them, where the probe had other quantities in each.
func TestMergeSpans(t *testing.T) {
	both := block.Span{Start: 600_000, Count: 30, Has: block.Temperature | block.Humidity, Covered: 300_000,
		Temp: block.Three{Min: 2000, Mean: 2100, Max: 2200}, Hum: block.Three{Min: 7000, Mean: 7500, Max: 8000}, InBand: 100_000}
	warm := block.Span{Start: 600_000, Count: 10, Has: block.Temperature, Covered: 100_000,
		Temp: block.Three{Min: 2100, Mean: 2500, Max: 2600}, Above: 50_000}
	damp := block.Span{Start: 600_000, Count: 5, Has: block.Humidity, Covered: 50_000,
		Hum: block.Three{Min: 6000, Mean: 6100, Max: 6200}, Below: 50_000}
	for name, c := range map[string]struct{ a, b, want block.Span }{
		"means by count": {both, warm, block.Span{Start: 600_000, Count: 40, Has: both.Has, Covered: 400_000,
			Temp: block.Three{Min: 2000, Mean: 2200, Max: 2600}, Hum: both.Hum, InBand: 100_000, Above: 50_000}},
		"only in the second": {warm, damp, block.Span{Start: 600_000, Count: 15, Has: both.Has, Covered: 150_000,
			Temp: warm.Temp, Hum: damp.Hum, Above: 50_000, Below: 50_000}},
	} {
		if got := mergeSpans(c.a, c.b); got != c.want {
			t.Errorf("%s: %+v, want %+v", name, got, c.want)
		}
		if got := mergeSpans(c.b, c.a); got != c.want {
			t.Errorf("%s, the other way round: %+v, want %+v", name, got, c.want)
		}
	}
}

// TestTrimSealed lets hours wait for a disk that takes none until they fill their
// share of memory: the oldest go, and are counted.
func TestTrimSealed(t *testing.T) {
	const size = maxSealed / 4
	m := memory{}
	for seq := range uint64(6) {
		m.waiting = append(m.waiting, &hour{key: bundleKey{seq: seq + 2}, raw: make([]byte, size-100), table: make([]byte, 100), readings: int(10 * (seq + 1))})
	}
	m.trimSealed()
	if len(m.waiting) != 4 || m.waiting[0].key.seq != 4 || m.lost != 10+20 {
		t.Errorf("%d bundles left, %d readings lost", len(m.waiting), m.lost)
	}
}

// TestReadParts takes a bundle apart, also one cut short or with a changed byte.
func TestReadParts(t *testing.T) {
	parts := []bundlePart{
		{"rack0-shelf1-litter2", [][]byte{make([]byte, 300), {1, 2, 3}}},
		{"room", [][]byte{{9}, nil}}, {"", nil}, {"water", [][]byte{bytes.Repeat([]byte{7}, 200)}},
	}
	whole := newBundle(rootRaw, emptyKey(3, levelHour).bytes(), parts)
	part := func(b []byte, probe string) (out [][]byte, err error) {
		all, err := readParts(b)
		for _, p := range all {
			if p.probe == probe {
				out = p.blocks
			}
		}
		return out, err
	}
	for _, p := range append(parts, bundlePart{probe: "nobody"}) {
		got, err := part(whole, p.probe)
		if err != nil || len(got) != len(p.blocks) {
			t.Fatalf("probe %q has %d blocks: %v", p.probe, len(got), err)
		}
		for i := range got {
			if !bytes.Equal(got[i], p.blocks[i]) {
				t.Errorf("block %d of probe %q is % x", i, p.probe, got[i])
			}
		}
	}
	if _, err := part(whole, "room"); err != nil {
		t.Error(err)
	}
	directory := len(whole) - 504 // the blocks' bytes
	for at := range directory {
		if _, err := part(whole[:at], "room"); err != errDirectory {
			t.Errorf("cut to %d bytes: %v", at, err)
		}
		b := bytes.Clone(whole)
		b[at] ^= 0x10
		if _, err := part(b, "room"); err != errDirectory {
			t.Errorf("with byte %d changed: %v", at, err)
		}
	}
}

// TestPartsThatAreAlike sums up an hour in two bundles whose readings are alike.
func TestPartsThatAreAlike(t *testing.T) {
	half := block.Span{Start: hourMillis, Count: 180, Has: block.Temperature, Covered: hourMillis / 2, Temp: block.Three{Min: 2200, Mean: 2210, Max: 2220}}
	whole := half
	whole.Count, whole.Covered = 360, hourMillis
	if got := ordered([]block.Span{half, half}, 0, 2*hourMillis); len(got) != 1 || got[0] != whole {
		t.Errorf("%+v, want %+v", got, whole)
	}
}
