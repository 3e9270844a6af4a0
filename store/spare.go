package store

import (
	"bytes"
	"io"

	"dewline/store/block"
)

// mended returns a copy of a bundle with the page made again that is damaged, nil where none
// is, where more are, or where it has no spare.
func mended(b []byte) []byte {
	from, to := unsound(b)
	if from == to || (besideValue+len(b))%pageSize != 0 {
		return nil
	}
	b = bytes.Clone(b)
	sum := pageSum(b)
	for page := (besideValue + from) / pageSize; page <= (besideValue+to-1)/pageSize; page++ {
		p := pageOf(b, page)
		addTo(p, sum[:])
		if from, to := unsound(b); from == to {
			return b
		}
		addTo(p, sum[:])
	}
	return nil
}

// unsound is where in a bundle the first thing is whose checksum is wrong: a block or, where
// it cannot be told apart, all of it; nowhere if from is to.
func unsound(b []byte) (from, to int) {
	d, err := readDirectory(b)
	if err != nil {
		return 0, len(b)
	}
	for i := range d.parts {
		at := int(d.parts[i].data)
		d.part(b, i, func(blk []byte) {
			if from == to && len(blk) > 0 && !block.Sound(blk) {
				from, to = at, at+len(blk)
			}
			at += len(blk)
		})
	}
	return from, to
}

// mostPages is how many pages a bundle may have whose first one is made again, 64 MB: a day
// of 5,000 probes has fewer.
const mostPages = 16 << 10

// withoutFirst returns a bundle that begins on a page that is lost, by those that follow up
// to its spare; nil where there is none.
func withoutFirst(r io.ReaderAt, id, pages uint64) []byte {
	var sum, page [pageSize]byte
	for next := id + 1; next < min(pages, id+mostPages); next++ {
		if _, err := r.ReadAt(page[:], int64(next)*pageSize); err != nil {
			return nil
		}
		addTo(sum[:], page[:])
		if _, _, err := bundleHead(sum[besideValue:]); err == nil {
			b := append(sum[besideValue:], make([]byte, (next-id)*pageSize)...)
			_, err = r.ReadAt(b[pageSize-besideValue:], int64(id+1)*pageSize)
			if err != nil {
				return nil
			}
			return b
		}
	}
	return nil
}
