package store

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
	"time"

	"dewline/sensors"
)

// eachBatch keeps readings for hours, a batch every three minutes, and calls visit after
// each with the bytes of the file as a kill would leave it, and how many polls are in it.
func eachBatch(t *testing.T, probes, batches int, visit func(file []byte, polls int, probes []sensors.ProbeID)) {
	t.Helper()
	s, _ := open(t, memDir(t))
	s.db.NoSync = true
	r := newRoom(1, probes)
	for batch := range batches {
		for range 18 {
			for _, x := range r.next() {
				s.Append(x)
			}
		}
		if err := s.Flush(ctx, nil); err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(s.path)
		if err != nil {
			t.Fatal(err)
		}
		visit(b, 18*(batch+1), r.probes)
	}
}

// missing is how many polls of the first and the last probe are not in a file.
func missing(t *testing.T, file []byte, polls int, probes []sensors.ProbeID) (most int) {
	t.Helper()
	dir := memDir(t)
	if err := os.WriteFile(filepath.Join(dir, FileName), file, 0o600); err != nil {
		t.Fatal(err)
	}
	s, _ := open(t, dir)
	for _, p := range []sensors.ProbeID{probes[0], probes[len(probes)-1]} {
		got := readAll(t, s, p, time.Time{}, farFuture)
		for i := range got {
			if i > 0 && got[i].At.Mono <= got[i-1].At.Mono {
				t.Fatalf("reading %d of %s is there twice", i, p)
			}
		}
		most = max(most, polls-len(got))
	}
	if err := s.Close(ctx); err != nil {
		t.Fatal(err)
	}
	return most
}

// TestSlotsHoldBatches asks for every reading after every batch, over hours in which slots
// fill up, are gathered into parts and begin anew; and for all but the last batch where the
// page that was written last is torn, or the newest root is gone.
func TestSlotsHoldBatches(t *testing.T) {
	var before []byte
	inPlace := 0
	eachBatch(t, 20, 61, func(file []byte, polls int, probes []sensors.ProbeID) {
		if n := missing(t, file, polls, probes); n != 0 {
			t.Fatalf("%d polls: %d are missing", polls, n)
		}
		if n := missing(t, withoutNewestRoot(file), polls, probes); n > 18 {
			t.Errorf("%d polls: %d are missing without the newest root", polls, n)
		}
		if at, ok := onlyPage(before, file); ok {
			inPlace++
			torn := bytes.Clone(file)
			copy(torn[at:][:512], before[at:])
			if n := missing(t, torn, polls, probes); n > 18 {
				t.Errorf("%d polls: %d are missing with the last page torn", polls, n)
			}
		}
		before = file
	})
	if inPlace < 40 {
		t.Errorf("%d of 61 batches were one page", inPlace)
	}
}

func withoutNewestRoot(file []byte) []byte {
	out := bytes.Clone(file)
	if metas := readMetas(bytes.NewReader(file)); len(metas) == 2 {
		clear(out[metas[0].slot*pageSize:][:pageSize])
	}
	return out
}

// onlyPage is where the only page begins that differs; false where several do.
func onlyPage(a, b []byte) (at int, ok bool) {
	if len(a) != len(b) {
		return 0, false
	}
	n := 0
	for i := 0; i < len(a); i += pageSize {
		if !bytes.Equal(a[i:i+pageSize], b[i:i+pageSize]) {
			at, n = i, n+1
		}
	}
	return at, n == 1
}

// TestLostSlotIsTold spoils a page of batches that are not the last: the rest is there, and
// the loss is counted.
func TestLostSlotIsTold(t *testing.T) {
	var last []byte
	polls := 0
	var ids []sensors.ProbeID
	eachBatch(t, 20, 16, func(file []byte, n int, probes []sensors.ProbeID) {
		last, polls, ids = file, n, probes
	})
	for at := 0; at < len(last); at += pageSize { // the newest chunk is the last one
		if s, ok := parseSlot(last[at:][:pageSize]); ok && s.chunk == 0 {
			clear(last[at:][:512])
		}
	}
	dir := memDir(t)
	if err := os.WriteFile(filepath.Join(dir, FileName), last, 0o600); err != nil {
		t.Fatal(err)
	}
	s, rep := open(t, dir)
	got := readAll(t, s, ids[0], time.Time{}, farFuture)
	if len(got) == 0 || len(got) >= polls || s.Stats().Damaged != 1 || rep.Quarantined != "" {
		t.Errorf("%d of %d readings, %d records damaged, %+v", len(got), polls, s.Stats().Damaged, rep)
	}
}

// TestParseSlot refuses whatever is not a whole slot.
func TestParseSlot(t *testing.T) {
	want := slot{gen: 7, chunk: 2, version: 5, set: []byte("a set of records")}
	b := want.bytes()
	got, ok := parseSlot(b)
	if !ok || got.gen != 7 || got.chunk != 2 || got.version != 5 || !bytes.Equal(got.set, want.set) {
		t.Fatalf("%+v, %v", got, ok)
	}
	end := slotHead + len(want.set) + 4
	for i := range end {
		bad := bytes.Clone(b)
		bad[i] ^= 0x80
		if _, ok := parseSlot(bad); ok {
			t.Errorf("byte %d may be any", i)
		}
	}
	if full := (&slot{set: make([]byte, slotBytes)}).bytes(); len(full) != pageSize {
		t.Errorf("the longest slot is %d bytes", len(full))
	}
}
