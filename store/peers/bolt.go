package main

import (
	"encoding/binary"
	"path/filepath"

	bolt "go.etcd.io/bbolt"
)

// boltPeer is bbolt with a key per reading: probe and time, both big-endian.
type boltPeer struct{ db *bolt.DB }

var boltBucket = []byte("reading")

func openBolt(dir string) (peer, error) {
	db, err := bolt.Open(filepath.Join(dir, "readings.bolt"), 0o600, nil)
	if err != nil {
		return nil, err
	}
	err = db.Update(func(tx *bolt.Tx) error {
		_, err := tx.CreateBucketIfNotExists(boltBucket)
		return err
	})
	return &boltPeer{db}, err
}

func boltKey(probe int, at int64) []byte {
	return binary.BigEndian.AppendUint64(binary.BigEndian.AppendUint16(nil, uint16(probe)), uint64(at))
}

func (b *boltPeer) append(batch []point) error {
	return b.db.Update(func(tx *bolt.Tx) error {
		bucket := tx.Bucket(boltBucket)
		for _, x := range batch {
			v := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, uint32(x.temp)), uint32(x.hu))
			if err := bucket.Put(boltKey(x.probe, x.at), v); err != nil {
				return err
			}
		}
		return nil
	})
}

func (b *boltPeer) settle() error { return nil }
func (b *boltPeer) close() error  { return b.db.Close() }

func (b *boltPeer) each(probe int, from, to int64, visit func(at int64, t, h int32)) error {
	return b.db.View(func(tx *bolt.Tx) error {
		end := string(boltKey(probe, to))
		c := tx.Bucket(boltBucket).Cursor()
		for k, v := c.Seek(boltKey(probe, from)); k != nil && string(k) < end; k, v = c.Next() {
			visit(int64(binary.BigEndian.Uint64(k[2:])), int32(binary.BigEndian.Uint32(v)), int32(binary.BigEndian.Uint32(v[4:])))
		}
		return nil
	})
}

func (b *boltPeer) raw(probe int, from, to int64) (summary, error) {
	out, name := newSummary(), nameOf(probe)
	err := b.each(probe, from, to, func(at int64, t, h int32) {
		r := readingOf(name, at, t, h)
		out.read(&r)
	})
	return out, err
}

func (b *boltPeer) byHour(probe int, from, to int64) (summary, error) {
	out := newSummary()
	s := spans{width: hourMillis, out: &out}
	err := b.each(probe, from, to, s.add)
	s.flush()
	return out, err
}

func (b *boltPeer) byDay(from, to int64) (summary, error) {
	out := newSummary()
	for probe := range probes {
		s := spans{width: dayMillis, out: &out}
		if err := b.each(probe, from, to, s.add); err != nil {
			return out, err
		}
		s.flush()
	}
	return out, nil
}

// check is the library's own, of all pages.
func (b *boltPeer) check() (bool, error) {
	return true, b.db.View(func(tx *bolt.Tx) error {
		var first error
		for err := range tx.Check() {
			if first == nil {
				first = err
			}
		}
		return first
	})
}
