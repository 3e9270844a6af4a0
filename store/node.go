package store

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"slices"
)

// A node is one page with its overflow, or a page inside a value.
type node struct {
	id     uint64
	r      io.ReaderAt
	off    int64
	first  []byte // the first page, or all of an inline one
	inline bool
	branch bool
	size   int64 // with overflow
	elems  []element
}

// An element is one key of a node.
type element struct {
	flags uint32
	key   []byte
	child uint64 // of a branch
	at    int64  // of the value, in the node
	size  int64
}

// parse reads the header, the elements and the keys. claim is told the pages
// the node takes.
func (n *node) parse(claim func(id, overflow uint64) error) error {
	count, err := n.header(claim)
	if err != nil {
		return err
	}
	table, err := n.read(pageHeader, int64(count)*elemSize)
	if err != nil {
		return err
	}
	n.elems = slices.Grow(n.elems[:0], count)[:count]
	for i := range n.elems {
		if err := n.element(i, table[i*elemSize:]); err != nil {
			return err
		}
	}
	return nil
}

// header reads what kind of page it is and how long, and returns its count of elements.
func (n *node) header(claim func(id, overflow uint64) error) (count int, err error) {
	le := binary.LittleEndian
	if len(n.first) < pageHeader {
		return 0, badf("page %d is too short", n.id)
	}
	flags, count := le.Uint16(n.first[8:]), int(le.Uint16(n.first[10:]))
	overflow := uint64(le.Uint32(n.first[12:]))
	n.branch = flags == flagBranch
	if flags != flagBranch && flags != flagLeaf {
		return 0, badf("page %d has type %#x", n.id, flags)
	}
	if n.branch && count == 0 {
		return 0, badf("branch page %d is empty", n.id)
	}
	if n.inline {
		n.size = int64(len(n.first))
		return count, nil
	}
	if got := le.Uint64(n.first); got != n.id {
		return 0, badf("page %d says it is %d", n.id, got)
	}
	n.size = int64(overflow+1) * pageSize
	return count, claim(n.id, overflow)
}

// element reads element i, which starts with b, and its key.
func (n *node) element(i int, b []byte) (err error) {
	le := binary.LittleEndian
	e := &n.elems[i]
	*e = element{}
	var pos, ksize int64
	if n.branch {
		pos, ksize, e.child = int64(le.Uint32(b)), int64(le.Uint32(b[4:])), le.Uint64(b[8:])
	} else {
		e.flags, pos, ksize, e.size = le.Uint32(b), int64(le.Uint32(b[4:])), int64(le.Uint32(b[8:])), int64(le.Uint32(b[12:]))
	}
	at := int64(pageHeader + i*elemSize)
	if e.flags > leafBucket || pos < int64(len(n.elems)-i)*elemSize || at+pos+ksize+e.size > n.size || ksize > pageSize {
		return badf("element %d of page %d is out of bounds", i, n.id)
	}
	e.at = at + pos + ksize
	e.key, err = n.read(at+pos, ksize)
	return err
}

// read returns size bytes of the node from off, from the first page if there.
func (n *node) read(off, size int64) ([]byte, error) {
	if off < 0 || size < 0 || off+size > n.size {
		return nil, badf("page %d reaches past its end", n.id)
	}
	if off+size <= int64(len(n.first)) {
		return n.first[off : off+size], nil
	}
	b := make([]byte, size)
	if _, err := n.r.ReadAt(b, n.off+off); err != nil {
		return nil, fmt.Errorf("read page %d: %w", n.id, err)
	}
	return b, nil
}

func (n *node) value(e *element) ([]byte, error) { return n.read(e.at, e.size) }

// order checks that keys rise and lie in [low, high).
func (n *node) order(low, high []byte) error {
	for i := range n.elems {
		k := n.elems[i].key
		if i > 0 && bytes.Compare(n.elems[i-1].key, k) >= 0 {
			return badf("keys of page %d are out of order", n.id)
		}
		if bytes.Compare(k, low) < 0 || (high != nil && bytes.Compare(k, high) >= 0) {
			return badf("a key of page %d belongs elsewhere", n.id)
		}
	}
	return nil
}
