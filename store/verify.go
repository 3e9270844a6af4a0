package store

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"dewline/store/block"
)

// ErrNewer says that the file was written by a later version.
var ErrNewer = errors.New("the record was written by a newer version of dewline; install that version, or move the file away")

// verify reads all of the structure of the record file at path, and its records or not. It
// returns the first fault, and refuses a layout that this version does not know. It takes
// no lock: the caller knows that nobody writes to it.
func verify(ctx context.Context, path string, records bool) error {
	f, size, err := openToRead(path)
	if err != nil {
		return err
	}
	defer f.Close()
	newest, err := newestMeta(f)
	if err != nil {
		return err
	}
	w := walker{ctx: ctx, r: f}
	var dec block.Decoder
	if records {
		w.leaf = func(path [][]byte, key []byte, value func() ([]byte, error)) error {
			if err := refuseNewer(path, key, value); err != nil {
				return err
			}
			b, err := value()
			if err != nil {
				return err
			}
			return verifyRecord(&dec, path, key, b)
		}
	}
	return w.walk(size, newest)
}

// refuseNewer looks for the layout's number, before anything of the file is changed.
func refuseNewer(path [][]byte, key []byte, value func() ([]byte, error)) error {
	if len(path) != 2 || string(path[0]) != rootKeep || string(path[1]) != string([]byte{byte(bucketSelf)}) ||
		!slices.Contains(strings.Fields(schemaKeys), string(key)) {
		return nil
	}
	b, err := value()
	if err == nil {
		b, err = openEnvelope(bucketSelf, key, b)
	}
	if n, nerr := strconv.Atoi(string(b)); err == nil && nerr == nil && n > schema {
		return fmt.Errorf("%w (its layout is %d, and %d is known)", ErrNewer, n, schema)
	}
	return nil // the other place may tell
}

// verifyRecord checks one record by the checksums it carries. The journal has a chain
// beside them; see VerifyJournal.
func verifyRecord(dec *block.Decoder, path [][]byte, key, b []byte) (err error) {
	root := string(path[0])
	switch {
	case isPart(root):
		if err = dec.DecodeSet(b, func(int, []block.Record) {}); err != nil {
			err = fmt.Errorf("a batch of the open hour: %w", err)
		}
	case len(path) != 2:
	case root == rootKeep && len(path[1]) == 1:
		_, err = openEnvelope(Bucket(path[1][0]), key, b)
	case root == rootArchive:
		_, err = readArchive(b)
	case root == rootRaw || root == rootTable:
		err = verifyBundle(dec, b, root, path[1])
	}
	return err
}

// verifyBundle checks the directory and every block of one bundle.
func verifyBundle(dec *block.Decoder, b []byte, root string, name []byte) error {
	var first error
	_, _, err := wholeParts(dec, b, func(bad error) { first = cmp.Or(first, bad) })
	if err == nil && !bytes.HasPrefix(b, bundleBegins(root, name)) {
		err = fmt.Errorf("%w: a bundle of %s has another's place", ErrDamaged, held(root))
	}
	return cmp.Or(err, first)
}

// wholeParts returns what is whole of a bundle, and how many readings that is. damaged is
// told of each block that is not; an error means that the bundle cannot be told apart.
func wholeParts(dec *block.Decoder, b []byte, damaged func(error)) (parts []bundlePart, readings int, err error) {
	k, root, err := bundleHead(b)
	if err != nil {
		return nil, 0, err
	}
	all, err := readParts(b)
	if err != nil {
		return nil, 0, fmt.Errorf("%s of all probes, %s: %w", held(root), k, err)
	}
	for _, have := range all {
		p := bundlePart{probe: have.probe}
		for _, blk := range have.blocks {
			n, err := blockReadings(dec, root, blk)
			if err != nil {
				damaged(fmt.Errorf("%s of probe %s, %s: %w", held(root), p.probe, k, err))
				if root == rootTable {
					break // levels go by place
				}
				continue
			}
			p.blocks, readings = append(p.blocks, blk), readings+n
		}
		if len(p.blocks) > 0 {
			parts = append(parts, p)
		}
	}
	return parts, readings, nil
}

// blockReadings unpacks a block of a bundle, and counts its readings; of rollups an empty
// one is told by the readings.
func blockReadings(dec *block.Decoder, root string, blk []byte) (n int, err error) {
	if root == rootRaw {
		recs, err := dec.Decode(nil, blk)
		return len(recs), err
	}
	if len(blk) > 0 {
		_, err = dec.DecodeSpans(nil, blk)
	}
	return 0, err
}
