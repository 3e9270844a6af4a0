package store

import (
	"encoding/binary"
	"slices"

	bolt "go.etcd.io/bbolt"

	"dewline/store/block"
)

// Slots are pages of the file that batches of the open hour are written to in place: one
// page for a batch, where a transaction would write two at least. They belong to one bucket
// that is never touched otherwise, so that the library leaves them where they are. No page
// is written again while what it holds is in no other.
//
// A slot counts while the generation that it names is the one in the file. A transaction
// that takes over what slots hold raises that, and the next generation goes to the other
// half of them: so those of the transaction before are whole, should the file fall back
// to it.
//
// A slot is: magic, generation, number of its chunk, version, length, a set of records,
// and a checksum over all of it. A chunk is written anew with each batch, under the next
// version and never over the last one, until it has filled its page.
const (
	slotMagic = "dwS1"
	slotHead  = len(slotMagic) + 8 + 4 + 4 + 4
	slotBytes = pageSize - slotHead - 4 // the longest set
	halfSlots = 4                       // pages of one generation
	allSlots  = 2 * halfSlots
)

// A slot is what one page of them holds.
type slot struct {
	gen            uint64
	chunk, version uint32
	page           int // among all slots
	set            []byte
}

func (s *slot) bytes() []byte {
	b := append(make([]byte, 0, pageSize), slotMagic...)
	b = binary.LittleEndian.AppendUint64(b, s.gen)
	b = binary.LittleEndian.AppendUint32(b, s.chunk)
	b = binary.LittleEndian.AppendUint32(b, s.version)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(s.set)))
	b = append(b, s.set...)
	return binary.LittleEndian.AppendUint32(b, block.Checksum(b))[:pageSize]
}

// parseSlot reads a page; false where it holds no slot, or one that was torn.
func parseSlot(b []byte) (s slot, ok bool) {
	le := binary.LittleEndian
	if len(b) != pageSize || string(b[:len(slotMagic)]) != slotMagic {
		return s, false
	}
	at := b[len(slotMagic):]
	s.gen, s.chunk, s.version = le.Uint64(at), le.Uint32(at[8:]), le.Uint32(at[12:])
	size := le.Uint32(at[16:])
	if size > uint32(slotBytes) {
		return s, false
	}
	end := slotHead + int(size)
	s.set = b[slotHead:end]
	return s, le.Uint32(b[end:]) == block.Checksum(b[:end])
}

// readSlots returns the newest version of each chunk of a generation, oldest first, from
// the value of the slots' bucket, which they alias.
func readSlots(value []byte, gen uint64) (out []slot) {
	if len(value) != len(emptySlots()) {
		return nil
	}
	for page := range allSlots {
		s, ok := parseSlot(value[(page+1)*pageSize-besideValue:][:pageSize])
		if !ok || s.gen != gen {
			continue
		}
		s.page = page
		i, met := slices.BinarySearchFunc(out, s.chunk, func(o slot, chunk uint32) int { return int(int64(o.chunk) - int64(chunk)) })
		switch {
		case !met:
			out = slices.Insert(out, i, s)
		case out[i].version < s.version:
			out[i] = s
		}
	}
	return out
}

// emptySlots is the value of their bucket: it begins in a page that is none of them.
func emptySlots() []byte {
	b := make([]byte, (allSlots+1)*pageSize-besideValue)
	copy(b, slotMagic)
	return b
}

// slotsAt returns where the slots begin in the file, 0 where there are none, and which
// generation of them counts.
func slotsAt(tx *bolt.Tx) (at int64, gen uint64) {
	if v := bucketValue(tx.Bucket([]byte(rootGen))); len(v) == 8 {
		gen = binary.BigEndian.Uint64(v)
	}
	b := tx.Bucket([]byte(rootSlots))
	if v := bucketValue(b); len(v) == len(emptySlots()) && string(v[:len(slotMagic)]) == slotMagic {
		at = (int64(b.Root()) + 1) * pageSize
	}
	return at, gen
}

// putGen makes another generation the one that counts, and makes the slots if need be.
func putGen(tx *bolt.Tx, gen uint64) error {
	b, err := tx.CreateBucketIfNotExists([]byte(rootGen))
	if err == nil {
		err = b.Put([]byte(valueKey), binary.BigEndian.AppendUint64(nil, gen))
	}
	if err != nil || tx.Bucket([]byte(rootSlots)) != nil {
		return err
	}
	b, err = tx.CreateBucket([]byte(rootSlots))
	if err == nil {
		err = b.Put([]byte(valueKey), emptySlots())
	}
	return err
}

// openSlots tells which slots of a generation hold what is in no part.
type openSlots struct {
	at    int64 // of the first in the file, 0 for none
	gen   uint64
	done  [halfSlots]bool // they hold chunks that are full
	begun bool            // last is of the chunk that is being written
	last  slot            // without its set
}

// close ends the chunk that is being written.
func (o *openSlots) close() {
	if o.begun {
		o.done[o.last.page%halfSlots] = true
		o.last.chunk++
		o.begun = false
	}
}

// next is the slot for the chunk that is being written, or for a new one; false where none
// is free.
func (o *openSlots) next() (s slot, ok bool) {
	s = slot{gen: o.gen, chunk: o.last.chunk}
	if o.begun {
		s.version = o.last.version + 1
	}
	for i, done := range o.done {
		s.page = int(o.gen%2)*halfSlots + i
		if !done && (!o.begun || s.page != o.last.page) {
			return s, o.at != 0
		}
	}
	return s, false
}

// wrote notes that s is in the file.
func (o *openSlots) wrote(s slot) {
	s.set = nil
	o.last, o.begun = s, true
}

// openHour tells what the open hour has in the file.
type openHour struct {
	part uint64 // number of the next
	openSlots
}
