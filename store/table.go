package store

import (
	"slices"

	bolt "go.etcd.io/bbolt"

	"dewline/sensors"
	"dewline/store/block"
)

// perSpan is how many readings a rollup has to sum up to be stored. Of those of fewer,
// only what hung on the limits of their day is, if anything: the rest is summed up
// again when it is asked for, as rollups of a slow probe would take up more than its
// readings.
const perSpan = 120

// tableBlocks encodes what is to be stored of one probe's rollups, a block per level, an
// empty one where that is nothing. again is what their readings sum up to.
func tableBlocks(enc *block.Encoder, spans [levels][]block.Span, again [levels][]block.Span) ([][]byte, error) {
	out := make([][]byte, levels)
	for l := range out {
		var err error
		switch {
		case !areFew(spans[l]) || !tellsAgain(spans[l], again[l]):
			out[l], err = enc.AppendSpans(nil, spanMillis[l], spans[l])
		case slices.ContainsFunc(spans[l], func(s block.Span) bool { return s.InBand|s.Below|s.Above != 0 }):
			bands := slices.Clone(spans[l])
			for i := range bands {
				bands[i].InBand -= bands[i].Covered
				bands[i].Covered = 0
			}
			out[l], err = enc.AppendBands(nil, bands)
		}
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

// areFew reports whether spans are of fewer readings than are worth storing them.
func areFew(spans []block.Span) bool {
	count := 0
	for i := range spans {
		count += int(spans[i].Count)
	}
	return count < perSpan*len(spans)
}

// tellsAgain reports whether readings sum up to the same again, but for bands and to which
// of two bundles the time between them counts.
func tellsAgain(spans, again []block.Span) bool {
	return slices.EqualFunc(spans, again, func(s, a block.Span) bool {
		s.Covered, s.InBand, s.Below, s.Above = a.Covered, a.InBand, a.Below, a.Above
		return s == a
	})
}

// needsReadings reports whether what is stored of a level is not all of it.
func needsReadings(stored []byte) bool { return len(stored) == 0 || block.HasBands(stored) }

// levelOf appends one probe's rollups of a level in a bundle to dst, from what is
// stored of them, and from its readings where that is not all.
func levelOf(dst []block.Span, dec *block.Decoder, probe sensors.ProbeID, l int, stored []byte, recs []block.Record) ([]block.Span, error) {
	if !needsReadings(stored) {
		return dec.DecodeSpans(dst, stored)
	}
	from := len(dst)
	out := sumUp(dst, probe, recs, nil, l)
	if len(stored) == 0 {
		return out, nil
	}
	bands, err := dec.DecodeSpans(nil, stored)
	if err == nil && len(bands) != len(out)-from {
		err = block.ErrCorrupt
	}
	if err != nil {
		return dst, err
	}
	for i, b := range bands {
		s := &out[from+i]
		s.InBand, s.Below, s.Above = max(s.Covered+b.InBand, 0), b.Below, b.Above
	}
	return out, nil
}

// tableBundle is a bundle of those parts that store anything, nil for none.
func tableBundle(name []byte, parts []bundlePart) []byte {
	parts = slices.DeleteFunc(parts, func(p bundlePart) bool {
		return !slices.ContainsFunc(p.blocks, func(b []byte) bool { return len(b) > 0 })
	})
	if len(parts) == 0 {
		return nil
	}
	return newBundle(rootTable, name, parts)
}

// putTable writes a bundle of rollups in the place of the one that is there, if any; nil
// takes that out.
func putTable(tx *bolt.Tx, name, table []byte) error {
	if err := dropBundle(tx, rootTable, name); err != nil || table == nil {
		return err
	}
	return putBundle(tx, rootTable, name, table)
}

// put writes readings and rollups. Their name is new: readings that are there already are
// an error and not overwritten.
func (h *hour) put(tx *bolt.Tx) error {
	if err := putBundle(tx, rootRaw, h.key.bytes(), h.raw); err != nil {
		return err
	}
	return putTable(tx, h.key.bytes(), h.table)
}
