package store

import (
	"context"
	"fmt"
	"io"

	"dewline/store/block"
)

// verifyOnly reads all of the structure of a record file, and the records in those
// buckets that want picks by their path. It returns the first fault.
func verifyOnly(ctx context.Context, r io.ReaderAt, size int64, want func(path [][]byte) bool) error {
	metas := readMetas(r)
	if len(metas) == 0 {
		return badf("neither of its two roots is valid")
	}
	w, err := newWalker(ctx, r, size, metas[0])
	if err != nil {
		return err
	}
	var dec block.Decoder
	w.leaf = func(path [][]byte, key []byte, value func() ([]byte, error)) error {
		if !want(path) {
			return nil
		}
		b, err := value()
		if err != nil {
			return err
		}
		return verifyRecord(&dec, path, key, b)
	}
	return w.page(metas[0].root, nil, nil, nil, 0)
}

// verifyRecord checks one record by the checksums it carries. The journal has a chain
// beside them; see VerifyJournal.
func verifyRecord(dec *block.Decoder, path [][]byte, key, b []byte) (err error) {
	switch {
	case len(path) == 2 && string(path[0]) == rootKeep && len(path[1]) == 1:
		_, err = openEnvelope(Bucket(path[1][0]), key, b)
	case len(path) == 2 && string(path[0]) == rootArchive:
		_, err = readArchive(b)
	case len(path) == 2 && (string(path[0]) == rootRaw || string(path[0]) == rootTable):
		err = verifyBundle(dec, b, kindOf(string(path[0])), path[1])
	}
	return err
}

// verifyBundle checks the directory and every block of one bundle.
func verifyBundle(dec *block.Decoder, b []byte, kind byte, name []byte) error {
	k, ok := parseKey(name)
	if !ok {
		return fmt.Errorf("%w: name of a bundle of %s", ErrDamaged, kindWord(kind))
	}
	var err error
	werr := walkBundle(b, kind, func(probe []byte, blocks [][]byte) bool {
		for _, blk := range blocks {
			if _, err = readBlock(dec, nil, kind, blk); err != nil {
				err = fmt.Errorf("%s of probe %s, %s: %w", kindWord(kind), probe, k, err)
				return false
			}
		}
		return true
	})
	if werr != nil {
		return fmt.Errorf("%s of all probes, %s: %w", kindWord(kind), k, werr)
	}
	return err
}

// readBlock unpacks a block of a bundle, and appends its readings to recs; of rollups an
// empty one is told by the readings.
func readBlock(dec *block.Decoder, recs []block.Record, kind byte, blk []byte) ([]block.Record, error) {
	if kind == kindRaw {
		return dec.Decode(recs, blk)
	}
	if len(blk) == 0 {
		return recs, nil
	}
	_, err := dec.DecodeSpans(nil, blk)
	return recs, err
}
