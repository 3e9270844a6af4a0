package main

import (
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// memoryOf returns a figure of /proc/PID/status in kB.
func memoryOf(t *testing.T, pid int, name string) int {
	t.Helper()
	kB, ok := statusOf(pid, name)
	if !ok {
		t.Fatalf("no %s of process %d", name, pid)
	}
	return kB
}

// statusOf is memoryOf of a process that may be gone.
func statusOf(pid int, name string) (kB int, ok bool) {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	m := regexp.MustCompile(`(?m)^` + name + `:\s+(\d+) kB$`).FindSubmatch(b)
	if err != nil || m == nil {
		return 0, false
	}
	kB, err = strconv.Atoi(string(m[1]))
	return kB, err == nil
}

func TestProgramIsDropped(t *testing.T) {
	own, err := mappedProgram()
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range own { // all of it is there, also where memory is short
		if err := advise(m[0], m[1], unix.MADV_POPULATE_READ); err != nil && err != unix.EINVAL { // before Linux 5.14
			t.Fatal(err)
		}
	}
	before := memoryOf(t, os.Getpid(), "RssFile")
	if err := own.drop(); err != nil {
		t.Fatal(err)
	}
	after := memoryOf(t, os.Getpid(), "RssFile")
	t.Logf("file pages resident: %d kB before, %d kB after", before, after)
	if after > before*3/4 {
		t.Errorf("%d kB of files are resident after the program was dropped, %d kB before: hardly less", after, before)
	}
}

// TestMemoryPromise holds the program as it is shipped to 25 MB with 50 probes polled every
// 10 s, and to 60 MB with 500, each on a bus of its own, also while all of them fall silent
// at once and while the state is written. Where no DEWLINE_MEMORY_MINUTES are given, the 500
// are polled every 2 s, so that an hour ends early within 5 minutes.
func TestMemoryPromise(t *testing.T) {
	if !long() || runtime.GOARCH != "amd64" {
		t.Skip("set DEWLINE_LONG=1 on amd64: this builds the program as it is shipped")
	}
	t.Parallel()
	// The build of the README.
	bin := filepath.Join(t.TempDir(), "dewline")
	build := exec.Command("go", "build", "-trimpath", "-ldflags", "-s -w", "-o", bin, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("go build: %v\n%s", err, out)
	}
	minutes, _ := strconv.Atoi(os.Getenv("DEWLINE_MEMORY_MINUTES"))
	t.Run("50 probes", func(t *testing.T) { t.Parallel(); resident50(t, bin, minutes) })
	t.Run("500 probes", func(t *testing.T) {
		t.Parallel()
		if minutes == 0 {
			resident500(t, bin, "2 s", 5)
		} else {
			resident500(t, bin, "10 s", minutes)
		}
	})
}

// runShipped runs a room of so many probes, the room's own among them, and returns where
// its page is.
func runShipped(t *testing.T, bin string, probes int, poll string) (s *site, p *program, url string) {
	t.Helper()
	var enclosures []string
	for i := range probes - 1 {
		enclosures = append(enclosures, fmt.Sprintf("e%02d", i))
	}
	s = newSite(t, enclosures...)
	s.listen = "127.0.0.1:0"
	s.write("dewline.toml", strings.NewReplacer(`poll = "1 s"`, `poll = "`+poll+`"`, `batch = "1 s"`, `batch = "1 min"`).Replace(s.text()))
	p = startBinary(t, bin, nil, "run", "--config", s.config(), "--data", s.data(), "--control", s.socket(), "--verbose")
	s.ready(p)
	p.logged("was handed back")
	at := regexp.MustCompile(`the page is open" addr=(\S+)`).FindStringSubmatch(p.log.String())
	if at == nil {
		t.Fatalf("the page's address is not in the log:\n%s", p.log)
	}
	return s, p, "http://" + at[1]
}

func resident50(t *testing.T, bin string, minutes int) {
	_, p, url := runShipped(t, bin, 50, "10 s")
	worst := 0
	for round := range 12 {
		for _, path := range []string{"/", "/alarms", "/enclosure/e07", "/enclosure/e07/chart.svg", "/metrics"} {
			fetch(t, url+path)
		}
		kB := memoryOf(t, p.cmd.Process.Pid, "VmRSS")
		worst = max(worst, kB)
		if round == 0 {
			t.Logf("after the first pages and scrape: %d kB resident", kB)
		}
	}
	t.Logf("at worst: %d kB resident; at the end %d kB of them its own and %d kB of files", worst,
		memoryOf(t, p.cmd.Process.Pid, "RssAnon"), memoryOf(t, p.cmd.Process.Pid, "RssFile"))
	if worst = max(worst, stays(t, p.cmd.Process.Pid, url, minutes)); worst > 25<<10 {
		t.Errorf("%d kB are resident; the promise is 25 MB", worst)
	}
}

func resident500(t *testing.T, bin, poll string, minutes int) {
	s, p, url := runShipped(t, bin, 500, poll)
	pid := p.cmd.Process.Pid
	stays(t, pid, url, minutes)
	normal := memoryOf(t, pid, "VmHWM")
	if err := os.Rename(s.path("probe"), s.path("away")); err != nil {
		t.Fatal(err)
	}
	p.logged("probe-silent")
	stays(t, pid, url, 1)
	silent := memoryOf(t, pid, "VmHWM")
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	worst, look := silent, time.NewTicker(10*time.Millisecond)
	defer look.Stop()
	for there := true; there; <-look.C { // what was the most stays on show to the end
		var kB int
		kB, there = statusOf(pid, "VmHWM")
		worst = max(worst, kB)
	}
	t.Logf("%d kB at most while all is well, %d once all are silent, %d with the state written", normal, silent, worst)
	if code := p.wait(); code != 0 || worst > 60<<10 {
		t.Errorf("%d kB were resident, the promise is 60 MB; exit code %d", worst, code)
	}
}

// stays looks on for some minutes, with a scrape every 15 s and a page a minute, and
// returns the most that was resident.
func stays(t *testing.T, pid int, url string, minutes int) (worst int) {
	t.Helper()
	scrape := time.NewTicker(15 * time.Second)
	defer scrape.Stop()
	for i := range 4 * minutes {
		<-scrape.C
		fetch(t, url+"/metrics")
		if i%4 == 0 {
			fetch(t, url+[]string{"/", "/alarms", "/enclosure/e07"}[i/4%3])
		}
		kB := memoryOf(t, pid, "VmRSS")
		worst = max(worst, kB)
		if i%20 == 0 {
			t.Logf("minute %d: %d kB resident, %d of them its own", i/4, kB, memoryOf(t, pid, "RssAnon"))
		}
	}
	return worst
}

// fetch gets a page and reads all of it.
func fetch(t *testing.T, url string) {
	t.Helper()
	client := http.Client{Timeout: patience}
	resp, err := client.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if _, err := io.Copy(io.Discard, resp.Body); err != nil {
		t.Fatalf("read %s: %v", url, err)
	}
	if resp.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s", url, resp.Status)
	}
}
