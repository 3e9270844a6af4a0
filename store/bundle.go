package store

import (
	"errors"

	bolt "go.etcd.io/bbolt"
)

// putBundle writes one bundle into a bucket of its own.
func putBundle(tx *bolt.Tx, root string, name, value []byte) error {
	parent := tx.Bucket([]byte(root))
	parent.FillPercent = 1 // names only ever go up
	b, err := parent.CreateBucket(name)
	if err != nil {
		return err
	}
	_, err = parent.NextSequence() // see index
	return errors.Join(err, b.Put([]byte(valueKey), value))
}

// dropBundles takes the readings and the rollups of one name out.
func dropBundles(tx *bolt.Tx, name []byte) error {
	return errors.Join(dropBundle(tx, rootRaw, name), dropBundle(tx, rootTable, name))
}

// dropBundle takes one bundle out. One that is not there is no error: that it be gone
// is all that was asked.
func dropBundle(tx *bolt.Tx, root string, name []byte) error {
	b := tx.Bucket([]byte(root))
	if b.Bucket(name) == nil {
		return nil
	}
	_, err := b.NextSequence()
	return errors.Join(err, b.DeleteBucket(name))
}

// bucketValue returns the one value of a bundle's or row's bucket.
func bucketValue(b *bolt.Bucket) []byte {
	if b == nil {
		return nil
	}
	return b.Get([]byte(valueKey))
}
