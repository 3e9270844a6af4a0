package store

import (
	"bufio"
	"context"
	"encoding/hex"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// A diskOp is one thing that a writer asked of the disk, or told its parent.
type diskOp struct {
	kind           string // write, truncate, sync, rename, ack
	file, to       string
	data           []byte
	off            int64
	flushed, acked int // of an ack
}

// traceVictim runs the victim under strace and returns what it did, first
// creation included.
func traceVictim(t *testing.T, flushes int) []diskOp {
	t.Helper()
	strace, err := exec.LookPath("strace")
	if err != nil {
		t.Skip("strace is not installed")
	}
	dir := memDir(t)
	log := filepath.Join(t.TempDir(), "trace")
	cmd := exec.Command(strace, "-f", "-xx", "-s", "4000000", "-o", log,
		"-e", "trace=openat,pwrite64,ftruncate,fdatasync,fsync,renameat,renameat2,rename,write,close", os.Args[0])
	cmd.Env = append(os.Environ(), "DEWLINE_STORE_VICTIM="+dir, fmt.Sprintf("DEWLINE_STORE_FLUSHES=%d", flushes))
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Skipf("strace cannot trace here: %v: %.200s", err, out)
	}
	return parseTrace(t, log, dir)
}

var (
	callForm = regexp.MustCompile(`^(\d+) +(\w+)\((.*)\) += (-?\d+)`)
	textForm = regexp.MustCompile(`"((?:\\x[0-9a-f]{2})*)"`)
)

func parseTrace(t *testing.T, log, dir string) []diskOp {
	t.Helper()
	f, err := os.Open(log)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	begun := map[string]string{} // by thread: a call that another interrupted
	files := map[string]string{} // by descriptor
	var ops []diskOp
	lines := bufio.NewScanner(f)
	lines.Buffer(nil, 64<<20)
	for lines.Scan() {
		line := lines.Text()
		pid, rest, _ := strings.Cut(line, " ")
		rest = strings.TrimLeft(rest, " ")
		if head, ok := strings.CutSuffix(rest, " <unfinished ...>"); ok {
			begun[pid] = head
			continue
		}
		if strings.HasPrefix(rest, "<... ") {
			_, tail, _ := strings.Cut(rest, " resumed>")
			rest = begun[pid] + tail
		}
		m := callForm.FindStringSubmatch(pid + " " + rest)
		if m == nil || m[4] == "-1" {
			continue
		}
		if op, ok := diskOpOf(m[2], m[3], m[4], files, dir); ok {
			ops = append(ops, op)
		}
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
	return ops
}

// diskOpOf translates one system call; ok is false for those that do not matter.
func diskOpOf(call, args, result string, files map[string]string, dir string) (op diskOp, ok bool) {
	var texts [][]byte
	for _, m := range textForm.FindAllStringSubmatch(args, -1) {
		b, _ := hex.DecodeString(strings.ReplaceAll(m[1], `\x`, ""))
		texts = append(texts, b)
	}
	fields := strings.Split(textForm.ReplaceAllString(args, ""), ",")
	fd := strings.TrimSpace(fields[0])
	last, _ := strconv.ParseInt(strings.TrimSpace(fields[len(fields)-1]), 10, 64)
	op.file = files[fd]
	switch call {
	case "openat":
		files[result] = strings.TrimPrefix(string(texts[0]), dir)
		return op, false
	case "close":
		delete(files, fd)
		return op, false
	case "write":
		var what string
		var n int
		if _, err := fmt.Sscan(string(texts[0]), &what, &n); fd != "1" || err != nil {
			return op, false
		}
		if what == "f" {
			return diskOp{kind: "ack", flushed: n}, true
		}
		return diskOp{kind: "ack", acked: n}, true
	case "pwrite64":
		op.kind, op.data, op.off = "write", texts[0], last
	case "ftruncate":
		op.kind, op.off = "truncate", last
	case "fdatasync", "fsync":
		op.kind = "sync"
	default:
		op.kind, op.file = "rename", strings.TrimPrefix(string(texts[0]), dir)
		op.to = strings.TrimPrefix(string(texts[1]), dir)
	}
	return op, strings.HasPrefix(op.file, "/dewline.db") || op.file == "" && op.kind == "sync"
}

// A disk is what is certain to be on the medium, and what may be.
type disk struct {
	files          map[string][]byte
	pending        []diskOp
	flushed, acked int
}

// do applies op; lie makes a sync do nothing.
func (d *disk) do(op diskOp, lie bool) {
	switch {
	case op.kind == "ack":
		d.flushed, d.acked = max(d.flushed, op.flushed), max(d.acked, op.acked)
	case op.kind != "sync":
		d.pending = append(d.pending, op)
	case !lie:
		var rest []diskOp
		for _, p := range d.pending {
			if p.file == op.file && p.kind != "rename" || op.file == "" && p.kind == "rename" {
				apply(d.files, p)
			} else {
				rest = append(rest, p)
			}
		}
		d.pending = rest
	}
}

func apply(files map[string][]byte, op diskOp) {
	b := files[op.file]
	switch op.kind {
	case "rename":
		files[op.to] = b
		delete(files, op.file)
		return
	case "truncate":
		if int(op.off) <= len(b) {
			b = b[:op.off:op.off]
		} else {
			b = append(b[:len(b):len(b)], make([]byte, int(op.off)-len(b))...)
		}
	default:
		if end := int(op.off) + len(op.data); end > len(b) {
			b = append(b[:len(b):len(b)], make([]byte, end-len(b))...)
		}
		b = slices.Clone(b)
		copy(b[op.off:], op.data)
	}
	files[op.file] = b
}

// cut returns what the medium may hold when the power goes now: each pending
// write lost, whole, or torn by sectors of 512 bytes, in any order.
func (d *disk) cut(rng *rand.Rand) map[string][]byte {
	files := maps.Clone(d.files)
	pending := slices.Clone(d.pending)
	if rng.IntN(2) == 0 {
		rng.Shuffle(len(pending), func(i, j int) { pending[i], pending[j] = pending[j], pending[i] })
	}
	for _, op := range pending {
		switch fate := rng.IntN(3); {
		case fate == 0:
		case fate == 1 || op.kind != "write":
			if op.kind != "rename" || files[op.file] != nil {
				apply(files, op)
			}
		default:
			for at := 0; at < len(op.data); at += 512 {
				if rng.IntN(2) == 0 {
					apply(files, diskOp{kind: "write", file: op.file, off: op.off + int64(at), data: op.data[at:min(at+512, len(op.data))]})
				}
			}
		}
	}
	return files
}

// TestPowerCut rebuilds the disk as it may be after a power cut at any moment,
// the first creation included, and asks that every state opens with all that
// was reported. DEWLINE_POWERCUTS=20000 for the long run.
func TestPowerCut(t *testing.T) { powerCuts(t, rounds(t, "DEWLINE_POWERCUTS", 400), false) }

// TestPowerCutLyingDisk is the same with every fourth sync ignored by the disk.
// Then loss cannot be ruled out, but a wrong value, a crash or a store that does
// not start can.
func TestPowerCutLyingDisk(t *testing.T) { powerCuts(t, rounds(t, "DEWLINE_POWERCUTS", 400)/2, true) }

func powerCuts(t *testing.T, states int, lying bool) {
	ops := traceVictim(t, 130)
	if len(ops) < 1000 {
		t.Fatalf("the trace has only %d operations", len(ops))
	}
	rng := rand.New(rand.NewPCG(21, 22))
	dir := memDir(t)
	moments := make([]int, states) // every moment of the creation, then at random
	for i := range moments {
		if i < states/5 {
			moments[i] = 1 + i%60
		} else {
			moments[i] = 1 + rng.IntN(len(ops))
		}
	}
	slices.Sort(moments)
	d := disk{files: map[string][]byte{}, flushed: -1}
	at, damaged, fellBack := 0, 0, 0
	for _, m := range moments {
		for ; at < m; at++ {
			d.do(ops[at], lying && rng.IntN(4) == 0)
		}
		rep := startAfterCut(t, dir, d.cut(rng), d, lying)
		if rep.Quarantined != "" {
			damaged++
		}
		if rep.FellBack {
			fellBack++
		}
	}
	t.Logf("%d states of %d operations: %d moved aside, %d fell back to the root before", states, len(ops), damaged, fellBack)
}

// startAfterCut opens a store on the files and checks what it holds.
func startAfterCut(t *testing.T, dir string, files map[string][]byte, d disk, lying bool) Report {
	t.Helper()
	old, _ := filepath.Glob(filepath.Join(dir, "*"))
	for _, name := range old {
		_ = os.Remove(name)
	}
	for name, b := range files {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	began := time.Now()
	s, rep, err := Open(context.Background(), Options{Dir: dir})
	if took := time.Since(began); err != nil || took > 10*time.Second {
		t.Fatalf("open took %v: %v", took, err)
	}
	defer s.Close(context.Background())
	n := 0
	for r, err := range s.Readings(context.Background(), "p", time.Time{}, farFuture) {
		if err != nil {
			if lying {
				continue
			}
			t.Fatal(err)
		}
		if lying {
			n = int(r.At.Mono / victimStep)
		}
		if r != victimReading(n) {
			t.Fatalf("reading %d is %+v", n, r)
		}
		n++
	}
	v, err := s.Get(BucketMeta, "commit")
	if lying {
		return rep
	}
	have := 0
	if v != nil {
		have = int(v[6])<<8 | int(v[7])
	}
	entries, jerr := s.VerifyJournal()
	if err != nil || jerr != nil || rep.Damage != nil || n <= d.flushed || have < d.acked || entries < have {
		t.Fatalf("%d readings of %d, %d commits of %d, %d entries: %v %v %+v", n, d.flushed+1, have, d.acked, entries, err, jerr, rep)
	}
	return rep
}
