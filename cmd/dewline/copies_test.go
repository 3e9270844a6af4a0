package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/store"

	"golang.org/x/sys/unix"
)

// says runs a command and asks for its exit code and for words of what it says.
func says(t *testing.T, want int, words []string, args ...string) string {
	t.Helper()
	code, out, errs := runDewline(t, args...)
	if code != want {
		t.Errorf("dewline %v: exit %d, want %d\n%s%s", args, code, want, out, errs)
	}
	for _, w := range words {
		if !strings.Contains(out+errs, w) {
			t.Errorf("dewline %v: no %q in\n%s%s", args, w, out, errs)
		}
	}
	if parts := strings.Split(errs, ": "); len(slices.Compact(slices.Sorted(slices.Values(parts)))) != len(parts) {
		t.Errorf("dewline %v: says something twice: %s", args, errs)
	}
	return out + errs
}

// spoiled returns a folder with a record in which two blocks are damaged.
func spoiled(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "data")
	says(t, exitOK, nil, "demo", "--for", "5h", "--speed", "100000", "--http", "127.0.0.1:0", "--data", dir)
	file := filepath.Join(dir, store.FileName)
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.LastIndex(b, []byte("dwB1R"))
	for i := at + 3000; i < at+3100; i++ {
		b[i] ^= 0x5A
	}
	if err := os.WriteFile(file, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return dir
}

// TestDamagedRecord leads a keeper from a record with damage in it to a sound one:
// each command says what is wrong, where, and what to do.
func TestDamagedRecord(t *testing.T) {
	dir := spoiled(t)
	file := filepath.Join(dir, store.FileName)
	day := []string{"--from", "2026-07-18", "--to", "2026-07-19"}
	where := regexp.MustCompile(`probe \S+, 2026-07-18 \d\d:\d\d to 2026-07-18 \d\d:\d\d UTC`)

	csv := filepath.Join(t.TempDir(), "out.csv")
	says(t, exitFailed, []string{"readings of 15 probes, 2026-07-18 06:00 UTC to", "damaged", "readings are missing there", "dewline repair"},
		append([]string{"export", "--data", dir, "--out", csv}, day...)...)
	if b, err := os.ReadFile(csv); err != nil || bytes.Count(b, []byte("\n")) < 20_000 {
		t.Errorf("%d lines of what is whole: %v", bytes.Count(b, []byte("\n")), err)
	}
	copied := filepath.Join(t.TempDir(), "copy.db")
	said := says(t, exitFailed, []string{"checksum", "dewline repair --from " + file + " --to NEW"}, "backup", "--data", dir, "--to", copied)
	if !where.MatchString(said) {
		t.Errorf("backup does not say where: %s", said)
	}
	mended := filepath.Join(t.TempDir(), "mended.db")
	said = says(t, exitOK, []string{"readings, 2026-07-18 06:00 UTC to 2026-07-18", "journal lines", "given up", "dewline restore --from " + mended},
		"repair", "--from", file, "--to", mended, "--by", "robin")
	if !where.MatchString(said) {
		t.Errorf("repair does not say what was given up: %s", said)
	}
	said = says(t, exitOK, []string{"a checked copy of " + mended, "the previous record is kept as " + file + ".replaced-"}, "restore", "--data", dir, "--from", mended, "--by", "robin")
	aside := regexp.MustCompile(`\S+\.replaced-\S+`).FindString(said)
	if b, err := os.ReadFile(strings.TrimRight(aside, ";")); err != nil || len(b) == 0 {
		t.Errorf("the record of before is not where it is said to be: %v", err)
	}
	says(t, exitOK, []string{"readings of 15 probes"}, append([]string{"export", "--data", dir, "--out", csv + "2"}, day...)...)
	says(t, exitOK, []string{"unbroken"}, "journal", "--data", dir, "--verify")
	lines := says(t, exitOK, nil, "journal", "--data", dir)
	for _, want := range []string{`repair +robin .*pages or entries given up`, `restore +robin .*\.replaced-.* → ` + regexp.QuoteMeta(mended)} {
		if !regexp.MustCompile(want).MatchString(lines) {
			t.Errorf("no line %s in the journal:\n%s", want, lines)
		}
	}
}

// TestRecordThatIsNone gives the commands what is no record, or none that they
// can use.
func TestRecordThatIsNone(t *testing.T) {
	dir, _ := imported(t)
	file := filepath.Join(dir, store.FileName)
	nowhere := filepath.Join(t.TempDir(), "nowhere")
	short := filepath.Join(t.TempDir(), "short")
	text := filepath.Join(t.TempDir(), "text")
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for name, content := range map[string][]byte{short: b[:len(b)/2/4096*4096+100], text: []byte("no record at all\n")} {
		if err := os.Mkdir(name, 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(name, store.FileName), content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	target := filepath.Join(t.TempDir(), "target")
	for _, command := range [][]string{{"export"}, {"journal"}, {"backup", "--to", target}} {
		says(t, exitFailed, []string{"no such file", "--data"}, append(command, "--data", nowhere)...)
		says(t, exitFailed, []string{"damaged", "dewline repair --from " + filepath.Join(short, store.FileName)}, append(command, "--data", short)...)
	}
	says(t, exitFailed, []string{"damaged", "dewline repair"}, "restore", "--data", nowhere, "--from", filepath.Join(short, store.FileName))
	says(t, exitFailed, []string{"is a folder"}, "restore", "--data", nowhere, "--from", dir)
	says(t, exitFailed, []string{"is a folder"}, "repair", "--from", dir, "--to", target)
	says(t, exitFailed, []string{"is it a record of dewline"}, "repair", "--from", filepath.Join(text, store.FileName), "--to", target)
	says(t, exitFailed, []string{"exists"}, "repair", "--from", file, "--to", file)
	says(t, exitFailed, []string{"exists"}, "export", "--data", dir, "--out", file)
	says(t, exitOK, []string{"no readings from 2020-01-01 00:00 UTC", "the record holds 2026-05-01 08:00 UTC to 2026-05-01 08:09 UTC"},
		"export", "--data", dir, "--from", "2020-01-01", "--to", "2020-01-02")
	for _, args := range [][]string{{"restore", "--data", nowhere, "--from", nowhere}, {"repair", "--from", nowhere, "--to", target}, {"backup", "--data", dir, "--to", filepath.Join(nowhere, "x")}} {
		if said := says(t, exitFailed, []string{"no such file", "look at the path"}, args...); strings.Contains(said, "--config") {
			t.Errorf("dewline %v: sends the keeper elsewhere: %s", args, said)
		}
	}
	if _, err := os.Stat(target); err == nil {
		t.Error("a command that failed left its target")
	}
	if _, err := os.Stat(nowhere); err == nil {
		t.Error("a command that failed made a data directory")
	}
}

// TestReadOnlyFolder asks that a record on what can only be read can be read, and
// that what cannot be written is said.
func TestReadOnlyFolder(t *testing.T) {
	dir, trace := imported(t)
	b, err := os.ReadFile(filepath.Join(dir, store.FileName))
	if err != nil {
		t.Fatal(err)
	}
	ro := t.TempDir()
	if err := unix.Mount("tmpfs", ro, "tmpfs", 0, "size=4m"); err != nil {
		t.Skipf("cannot mount a file system: %v", err)
	}
	t.Cleanup(func() { _ = unix.Unmount(ro, unix.MNT_DETACH) })
	file := filepath.Join(ro, store.FileName)
	if err := os.WriteFile(file, b, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount("", ro, "", unix.MS_REMOUNT|unix.MS_RDONLY, "size=4m"); err != nil {
		t.Skipf("cannot mount for reading only: %v", err)
	}
	if got := exported(t, ro, "csv"); got != trace {
		t.Errorf("the record on a read-only folder differs:\n%s", diffLines(trace, got))
	}
	says(t, exitOK, []string{"unbroken"}, "journal", "--data", ro, "--verify")
	copied := filepath.Join(t.TempDir(), "copy.db")
	says(t, exitOK, []string{"copied and checked"}, "backup", "--data", ro, "--to", copied)
	for _, args := range [][]string{
		{"restore", "--data", ro, "--from", copied}, {"repair", "--from", copied, "--to", filepath.Join(ro, "new.db")},
		{"backup", "--data", dir, "--to", filepath.Join(ro, "new.db")}, {"import", "--data", ro, "--trace", write(t, t.TempDir(), "t.csv", trace)},
	} {
		says(t, exitFailed, []string{"read-only file system", "mount it for writing"}, args...)
	}
}

// TestImportTwice asks that a trace is not counted twice by mistake, and that the
// journal tells of each.
func TestImportTwice(t *testing.T) {
	dir, trace := imported(t)
	again := []string{"import", "--trace", write(t, t.TempDir(), "again.csv", trace), "--data", dir}
	says(t, exitFailed, []string{"litter at 2026-05-01T08:00:00Z", "imported before", "--again", "0 readings added"}, again...)
	if got := exported(t, dir, "csv"); got != trace {
		t.Errorf("a refused import changed the record:\n%s", diffLines(trace, got))
	}
	says(t, exitOK, []string{"120 readings added"}, append(again, "--again")...)
	lines := says(t, exitOK, nil, "journal", "--data", dir)
	if strings.Count(lines, "120 readings of 2 probes, 2026-05-01 08:00 UTC to 2026-05-01 08:09 UTC") != 2 {
		t.Errorf("the journal does not tell of both:\n%s", lines)
	}
}

// TestRecordOfARunningDaemon reads the record while it is being written, without a
// copy of it, refuses what would change it, and goes past a socket that a kill
// left behind.
func TestRecordOfARunningDaemon(t *testing.T) {
	t.Parallel()
	s := newSite(t, "fern")
	p := s.run()
	s.ready(p)
	eventually(t, "the record is being written", func() bool {
		snap, ok := s.room()
		return ok && snap.Record.Commits > 3
	})
	at := func(args ...string) []string {
		return append(args, "--config", s.config(), "--data", s.data(), "--control", s.socket())
	}
	csv := says(t, exitOK, []string{"p-fern,24.50,84.00", "readings of 2 probes"}, at("export")...)
	if strings.Count(csv, "\n") < 4 {
		t.Errorf("an export of a running daemon:\n%s", csv)
	}
	metrics := s.path("out.om")
	says(t, exitOK, []string{"readings of 1 probe,"}, at("export", "--format", "openmetrics", "--probe", "p-fern", "--out", metrics)...)
	if b, err := os.ReadFile(metrics); err != nil || !bytes.HasSuffix(b, []byte("# EOF\n")) {
		t.Errorf("OpenMetrics of a running daemon: %d bytes, %v", len(b), err)
	}
	says(t, exitUsage, []string{"no probe \"nobody\""}, at("export", "--probe", "nobody")...)
	says(t, exitOK, []string{"no readings", "the record holds"}, at("export", "--from", "2020-01-01", "--to", "2020-01-02")...)
	says(t, exitOK, []string{"start", "a new record"}, at("journal")...)
	says(t, exitOK, []string{"unbroken"}, at("journal", "--verify")...)
	copied := s.path("copy.db")
	says(t, exitOK, []string{"copied and checked"}, at("backup", "--to", copied)...)
	says(t, exitFailed, []string{"stop it first"}, at("restore", "--from", copied)...)
	says(t, exitFailed, []string{"stop it first"}, at("import", "--trace", s.config())...)
	record := s.data() + "/" + store.FileName
	says(t, exitFailed, []string{"in use", "stop dewline first"}, "repair", "--from", record, "--to", s.path("mended.db"))
	for _, args := range [][]string{{"restore", "--from", copied}, {"export"}, {"journal"}} {
		says(t, exitFailed, []string{"in use", "stop dewline first"}, append(args, "--data", s.data(), "--control", s.path("none"))...)
	}
	eventually(t, "the copy made for a backup is gone", func() bool {
		left, _ := filepath.Glob(s.data() + "/.backup-*")
		return len(left) == 0
	})
	p.kill()
	says(t, exitOK, []string{"unbroken"}, at("journal", "--verify")...)
	says(t, exitOK, []string{"a checked copy"}, at("restore", "--from", copied)...)
	again := time.Now()
	if snap := s.ready(s.resume()); snap.Time.Before(again.Add(-time.Second)) { // rounded to a second
		t.Errorf("the snapshot after a restore is of %s", snap.Time)
	}
}
