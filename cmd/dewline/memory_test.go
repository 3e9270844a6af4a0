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
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// memoryOf returns a figure of /proc/PID/status in kB.
func memoryOf(t *testing.T, pid int, name string) int {
	t.Helper()
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		t.Fatal(err)
	}
	m := regexp.MustCompile(`(?m)^` + name + `:\s+(\d+) kB$`).FindSubmatch(b)
	if m == nil {
		t.Fatalf("no %s in %s", name, b)
	}
	kB, err := strconv.Atoi(string(m[1]))
	if err != nil {
		t.Fatal(err)
	}
	return kB
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

// maxResident is the promise for a room of 50 probes polled every 10 s, on
// amd64, in kB.
const maxResident = 25 << 10

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
	var enclosures []string
	for i := range 49 { // and the room's own probe
		enclosures = append(enclosures, fmt.Sprintf("e%02d", i))
	}
	s := newSite(t, enclosures...)
	s.listen = "127.0.0.1:0"
	s.write("dewline.toml", strings.NewReplacer(`poll = "1 s"`, `poll = "10 s"`, `batch = "1 s"`, `batch = "1 min"`).Replace(s.text()))
	p := startBinary(t, bin, nil, "run", "--config", s.config(), "--data", s.data(), "--control", s.socket(), "--verbose")
	s.ready(p)
	p.logged("was handed back")
	at := regexp.MustCompile(`the page is open" addr=(\S+)`).FindStringSubmatch(p.log.String())
	if at == nil {
		t.Fatalf("the page's address is not in the log:\n%s", p.log)
	}
	worst := 0
	for round := range 12 {
		for _, path := range []string{"/", "/alarms", "/enclosure/e07", "/enclosure/e07/chart.svg", "/metrics"} {
			fetch(t, "http://"+at[1]+path)
		}
		kB := memoryOf(t, p.cmd.Process.Pid, "VmRSS")
		worst = max(worst, kB)
		if round == 0 {
			t.Logf("after the first pages and scrape: %d kB resident", kB)
		}
	}
	t.Logf("at worst: %d kB resident; at the end %d kB of them its own and %d kB of files", worst,
		memoryOf(t, p.cmd.Process.Pid, "RssAnon"), memoryOf(t, p.cmd.Process.Pid, "RssFile"))
	worst = max(worst, stays(t, p.cmd.Process.Pid, "http://"+at[1]))
	if worst > maxResident {
		t.Errorf("%d kB are resident; the promise is %d", worst, maxResident)
	}
}

// stays looks on for DEWLINE_MEMORY_MINUTES, with a scrape every 15 s and a page a
// minute, and returns the most that was resident.
func stays(t *testing.T, pid int, url string) (worst int) {
	t.Helper()
	minutes, _ := strconv.Atoi(os.Getenv("DEWLINE_MEMORY_MINUTES"))
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
