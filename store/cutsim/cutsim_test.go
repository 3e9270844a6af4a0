package cutsim

import (
	"bytes"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// TestParse reads a trace as strace 6.1 writes it, with a call that another
// thread interrupted, a failed one, and files that are of no interest.
func TestParse(t *testing.T) {
	const log = `10 openat(AT_FDCWD, "\x2f\x64\x2f\x61\x2e\x64\x62", O_RDWR|O_CREAT|O_CLOEXEC, 0600) = 7
10 pwrite64(7, "\x01\x02\x03", 3, 4096 <unfinished ...>
11 write(1, "\x68\x69", 2) = 2
10 <... pwrite64 resumed>) = 3
11 pwrite64(7, "\x04", 1, 0) = -1 EIO (Input/output error)
10 ftruncate(7, 8192) = 0
10 fdatasync(7) = 0
10 rename("\x2f\x64\x2f\x61\x2e\x64\x62", "\x2f\x64\x2f\x61") = 0
10 openat(AT_FDCWD, "\x2f\x64", O_RDONLY|O_CLOEXEC) = 8
10 fsync(8) = 0
10 close(7) = 0
10 pwrite64(7, "\x09", 1, 0) = 1
11 +++ exited with 0 +++
`
	ops, err := Parse(strings.NewReader(log), "/d", "a")
	if err != nil {
		t.Fatal(err)
	}
	want := []Op{
		{Kind: Said, Data: []byte("hi")},
		{Kind: Write, File: "/a.db", Data: []byte{1, 2, 3}, Off: 4096},
		{Kind: Truncate, File: "/a.db", Off: 8192},
		{Kind: Sync, File: "/a.db", Off: 7},
		{Kind: Rename, File: "/a.db", To: "/a"},
		{Kind: Sync, Off: 8},
	}
	if len(ops) != len(want) {
		t.Fatalf("%d operations: %+v", len(ops), ops)
	}
	for i, op := range ops {
		if op.Kind != want[i].Kind || op.File != want[i].File || op.To != want[i].To || op.Off != want[i].Off || !bytes.Equal(op.Data, want[i].Data) {
			t.Errorf("operation %d is %+v, not %+v", i, op, want[i])
		}
	}
	if _, err := Parse(strings.NewReader("1 write(5, 0x1234, 4) = 4\n"), "/d", "a"); err == nil {
		t.Error("a write without its bytes passed")
	}
}

func write(file string, off int64, data []byte) Op {
	return Op{Kind: Write, File: file, Off: off, Data: data}
}

// TestDisk follows a file through what a sync makes certain and what not.
func TestDisk(t *testing.T) {
	var d Disk
	d.Do(write("/a", 0, []byte("one")), false)
	if len(d.Certain()) != 0 || len(d.pending) != 1 {
		t.Fatalf("a write is certain before any sync: %q", d.Certain())
	}
	d.Do(Op{Kind: Sync, File: "/b"}, false)
	d.Do(Op{Kind: Sync, File: "/a"}, true)
	if len(d.pending) != 1 {
		t.Fatal("another file's sync, or a lie, made it certain")
	}
	d.Do(Op{Kind: Sync, File: "/a"}, false)
	d.Do(Op{Kind: Rename, File: "/a", To: "/c"}, false)
	d.Do(Op{Kind: Sync, File: "/a"}, false)
	if got := d.Certain(); string(got["/a"]) != "one" || got["/c"] != nil {
		t.Fatalf("a rename is certain without a sync of the folder: %q", got)
	}
	d.Do(Op{Kind: Sync}, false)
	d.Do(Op{Kind: Truncate, File: "/c", Off: 5}, false)
	d.Do(write("/c", 1, []byte("X")), false)
	d.Do(Op{Kind: Sync, File: "/c"}, false)
	if got := d.Certain(); len(got) != 1 || string(got["/c"]) != "oXe\x00\x00" {
		t.Fatalf("%q", got)
	}
}

// TestCutTearsOnlyWhatIsPending counts what becomes of one write of four
// sectors over a certain file: lost, whole and torn all happen, by whole sectors.
func TestCutTearsOnlyWhatIsPending(t *testing.T) {
	var d Disk
	old, fresh := bytes.Repeat([]byte{'o'}, 6*sector), bytes.Repeat([]byte{'n'}, 4*sector)
	d.Do(write("/a", 0, old), false)
	d.Do(Op{Kind: Sync, File: "/a"}, false)
	d.Do(write("/a", sector, fresh), false)
	rng := rand.New(rand.NewPCG(1, 2))
	seen := map[string]int{}
	for range 3000 {
		b := d.Cut(rng)["/a"]
		if len(b) != len(old) {
			t.Fatalf("%d bytes", len(b))
		}
		form := ""
		for s := range slices.Chunk(b, sector) {
			if bytes.Count(s, s[:1]) != sector {
				t.Fatal("a sector is torn itself")
			}
			form += string(s[:1])
		}
		if form[0] != 'o' || form[5] != 'o' {
			t.Fatalf("certain sectors changed: %s", form)
		}
		seen[form]++
	}
	if len(seen) != 16 || seen["oooooo"] < 900 || seen["onnnno"] < 900 {
		t.Errorf("%d forms: %v", len(seen), seen)
	}
}

func TestPutAndMoments(t *testing.T) {
	dir := t.TempDir()
	for _, files := range []map[string][]byte{{"/a": []byte("1"), "/b": nil}, {"/c": []byte("2")}} {
		if err := Put(dir, files); err != nil {
			t.Fatal(err)
		}
		entries, err := os.ReadDir(dir)
		if err != nil || len(entries) != len(files) {
			t.Fatalf("%v: %v", entries, err)
		}
	}
	if b, err := os.ReadFile(filepath.Join(dir, "c")); err != nil || string(b) != "2" {
		t.Errorf("%q: %v", b, err)
	}
	m := Moments(rand.New(rand.NewPCG(3, 4)), 500, 1000)
	if len(m) != 500 || !slices.IsSorted(m) || m[0] != 1 || m[99] > 60 || m[499] > 1000 || m[499] < 900 {
		t.Errorf("%v", m)
	}
}

// TestMet asks that a state is tried again where a byte, a name or a promise differs.
func TestMet(t *testing.T) {
	m := Met{}
	a := map[string][]byte{"a": {1}, "b": {2}}
	for i, c := range []struct {
		files    map[string][]byte
		promised int
		want     bool
	}{{a, 1, true}, {a, 1, false}, {a, 2, true}, {map[string][]byte{"a": {1}, "b": {3}}, 1, true},
		{map[string][]byte{"a": {1}, "c": {2}}, 1, true}, {map[string][]byte{"b": {2}, "a": {1}}, 2, false}, {nil, 1, true}} {
		if got := m.First(c.files, c.promised); got != c.want {
			t.Errorf("state %d: first %v", i, got)
		}
	}
}
