package block_test

import (
	"encoding/binary"
	"errors"
	"math/rand/v2"
	"slices"
	"testing"

	"dewline/store/block"
)

// mend puts a right checksum behind a body, as only a fault of the encoder could.
func mend(body []byte) []byte {
	return binary.LittleEndian.AppendUint32(slices.Clone(body), block.Checksum(body))
}

// mixed makes records that use every column: two quantities with a calibration
// that no line explains, light, spells with only some of them, and a clock step.
func mixed(n int) []block.Record {
	rng := rand.New(rand.NewPCG(3, 9))
	recs := make([]block.Record, n)
	for i := range recs {
		r := block.Record{Mono: int64(i)*10_000 + rng.Int64N(3), Quality: uint8(i / 90), Synced: i > 9}
		r.Wall = r.Mono + 1_790_000_000_000 + int64(i/50)*777
		r.RawHas = []uint8{3, 7, 1, 0}[i/40%4]
		r.Has = []uint8{3, 5, 7}[i/55%3]
		if r.RawHas&block.Temperature != 0 {
			r.Raw[0] = 2300 + int32(rng.NormFloat64()*30)
		}
		if r.RawHas&block.Humidity != 0 {
			r.Raw[1] = 8000 + int32(rng.NormFloat64()*200)
		}
		if r.RawHas&block.Light != 0 {
			r.Raw[2] = rng.Int32N(50_000)
		}
		if r.Has&block.Temperature != 0 {
			r.Value[0] = r.Raw[0] + int32(rng.IntN(5))
		}
		if r.Has&block.Humidity != 0 {
			r.Value[1] = r.Raw[1] - int32(rng.IntN(50))
		}
		if r.Has&block.Light != 0 {
			r.Value[2] = r.Raw[2]
		}
		recs[i] = r
	}
	return recs
}

// TestDamageUnderARightChecksum cuts a body everywhere and changes each of its
// bytes. Cut, it must be refused; changed, it must be refused or decode to records
// that can be packed again: no panic, no endless memory.
func TestDamageUnderARightChecksum(t *testing.T) {
	var e block.Encoder
	var d block.Decoder
	one, err := e.Append(nil, mixed(420))
	if err != nil {
		t.Fatal(err)
	}
	set, err := e.AppendSet(nil, []int{7, 2}, [][]block.Record{mixed(40), mixed(70)})
	if err != nil {
		t.Fatal(err)
	}
	spans, err := e.AppendSpans(nil, 600_000, []block.Span{
		{Start: 600_000, Count: 60, Has: 3, Temp: block.Three{Min: 1, Mean: 2, Max: 3}, Covered: 600_000}, {Start: 1_800_000, Count: 3}})
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		b      []byte
		decode func(b []byte) error
	}{
		"series": {one, func(b []byte) error {
			recs, err := d.Decode(nil, b)
			if err == nil {
				_, err = e.Append(nil, recs)
			}
			return err
		}},
		"set":   {set, func(b []byte) error { return d.DecodeSet(b, func(int, []block.Record) {}) }},
		"spans": {spans, func(b []byte) error { _, err := d.DecodeSpans(nil, b); return err }},
	} {
		body := c.b[:len(c.b)-4]
		if err := c.decode(mend(body)); err != nil {
			t.Fatalf("%s, untouched: %v", name, err)
		}
		for at := range body {
			if err := c.decode(mend(body[:at])); !errors.Is(err, block.ErrCorrupt) {
				t.Errorf("%s cut to %d bytes: %v", name, at, err)
			}
			for _, change := range [...]byte{0x01, 0xFF} {
				b := slices.Clone(body)
				b[at] ^= change
				if err := c.decode(mend(b)); err != nil && !errors.Is(err, block.ErrCorrupt) {
					t.Errorf("%s with byte %d changed by %#x: %v", name, at, change, err)
				}
			}
		}
		if err := c.decode(mend(append(slices.Clone(body), 0))); !errors.Is(err, block.ErrCorrupt) {
			t.Errorf("%s with a byte too many: %v", name, err)
		}
	}
}

// TestFormatsAreToldApart gives each block to the decoders of the others.
func TestFormatsAreToldApart(t *testing.T) {
	var e block.Encoder
	var d block.Decoder
	one, _ := e.Append(nil, mixed(5))
	set, _ := e.AppendSet(nil, []int{1}, [][]block.Record{mixed(5)})
	spans, _ := e.AppendSpans(nil, 600_000, make([]block.Span, 2))
	for name, b := range map[string][]byte{"series": one, "set": set, "spans": spans, "empty": nil, "short": one[:4]} {
		_, oneErr := d.Decode(nil, b)
		setErr := d.DecodeSet(b, func(int, []block.Record) {})
		_, spansErr := d.DecodeSpans(nil, b)
		for decoder, err := range map[string]error{"series": oneErr, "set": setErr, "spans": spansErr} {
			if own := decoder == name; own != (err == nil) || !own && !errors.Is(err, block.ErrCorrupt) {
				t.Errorf("%s read as %s: %v", name, decoder, err)
			}
		}
	}
}

// TestEncoderRefuses asks for more than a block takes. What was in dst before stays.
func TestEncoderRefuses(t *testing.T) {
	var e block.Encoder
	before := []byte("before")
	for name, f := range map[string]func() ([]byte, error){
		"a number too few": func() ([]byte, error) { return e.AppendSet(before, []int{1}, make([][]block.Record, 2)) },
		"too many series": func() ([]byte, error) {
			return e.AppendSet(before, make([]int, block.MaxSeries+1), make([][]block.Record, block.MaxSeries+1))
		},
		"too many records":  func() ([]byte, error) { return e.Append(before, make([]block.Record, block.MaxRecords+1)) },
		"too many rollups":  func() ([]byte, error) { return e.AppendSpans(before, 1, make([]block.Span, block.MaxRecords+1)) },
		"a million records": func() ([]byte, error) { return e.Append(before, make([]block.Record, 1_000_000)) },
	} {
		if b, err := f(); err == nil || string(b) != "before" {
			t.Errorf("%s: %d bytes, %v", name, len(b), err)
		}
	}
}

// TestDecodeKeepsWhatIsThere appends to records from before, also on an error.
func TestDecodeKeepsWhatIsThere(t *testing.T) {
	var e block.Encoder
	var d block.Decoder
	first, second := mixed(9), mixed(300)[200:]
	b, err := e.Append(nil, second)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := d.Decode(slices.Clone(first), b); err != nil || !slices.Equal(got, append(slices.Clone(first), second...)) {
		t.Errorf("%d records: %v", len(got), err)
	}
	b[len(b)/2] ^= 1
	if got, err := d.Decode(slices.Clone(first), b); err == nil || !slices.Equal(got, first) {
		t.Errorf("after an error there are %d records: %v", len(got), err)
	}
}
