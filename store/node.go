package store

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
)

// Kinds of pages and of elements.
const (
	flagBranch = 0x01
	flagLeaf   = 0x02
	flagMeta   = 0x04
	flagFree   = 0x10
	leafBucket = 0x01
)

// A node is one page with its overflow, or a page inside a value. Values stay on disk
// until they are asked for.
type node struct {
	id     uint64
	r      io.ReaderAt // of its bytes
	first  []byte      // the first page, or all of one inside a value
	size   int64       // with overflow
	branch bool
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

// readNode reads the node that begins on a page of a file of so many pages.
func readNode(r io.ReaderAt, id, pages uint64) (*node, error) {
	if id < 2 || id >= pages {
		return nil, badf("page %d is outside the file", id)
	}
	first := make([]byte, pageSize)
	if _, err := r.ReadAt(first, int64(id)*pageSize); err != nil {
		return nil, fmt.Errorf("read page %d: %w", id, err)
	}
	le := binary.LittleEndian
	if got := le.Uint64(first); got != id {
		return nil, badf("page %d says it is %d", id, got)
	}
	overflow := uint64(le.Uint32(first[12:]))
	if overflow >= pages-id {
		return nil, badf("page %d+%d is outside the file", id, overflow)
	}
	n := &node{id: id, first: first, size: int64(overflow+1) * pageSize}
	n.r = io.NewSectionReader(r, int64(id)*pageSize, n.size)
	return n, n.parse()
}

// parse reads what kind of node it is, its elements and their keys.
func (n *node) parse() error {
	if len(n.first) < pageHeader {
		return badf("page %d is too short", n.id)
	}
	le := binary.LittleEndian
	flags, count := le.Uint16(n.first[8:]), int(le.Uint16(n.first[10:]))
	n.branch = flags == flagBranch
	if flags != flagBranch && flags != flagLeaf {
		return badf("page %d has type %#x", n.id, flags)
	}
	if n.branch && count == 0 {
		return badf("branch page %d is empty", n.id)
	}
	table, err := n.read(pageHeader, int64(count)*elemSize)
	if err != nil {
		return err
	}
	n.elems = make([]element, count)
	for i := range n.elems {
		if err := n.element(i, table[i*elemSize:]); err != nil {
			return err
		}
	}
	return nil
}

// element reads element i, which starts with b, and its key.
func (n *node) element(i int, b []byte) (err error) {
	le := binary.LittleEndian
	e := &n.elems[i]
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
	if off+size > n.size {
		return nil, badf("page %d reaches past its end", n.id)
	}
	if off+size <= int64(len(n.first)) {
		return n.first[off : off+size], nil
	}
	b := make([]byte, size)
	if _, err := n.r.ReadAt(b, off); err != nil {
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
