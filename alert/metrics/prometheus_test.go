package metrics

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"dewline/cmd/dewline/built"
)

// configsDir is where the dashboard, the scrape example and the rules are.
var configsDir = filepath.Join("..", "..", "configs")

func tool(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		t.Skipf("%s is not installed (Debian package prometheus)", name)
	}
	return path
}

func promtool(t *testing.T, dir string, args ...string) string {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), tool(t, "promtool"), args...)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return string(out)
}

// copyConfigs copies the Prometheus files to a directory, changed by change.
func copyConfigs(t *testing.T, change func(name, text string) string) string {
	t.Helper()
	dir := t.TempDir()
	files, err := filepath.Glob(filepath.Join(configsDir, "prometheus", "*.yml"))
	if err != nil || len(files) != 3 {
		t.Fatalf("found %v, %v", files, err)
	}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		name := filepath.Base(f)
		if err := os.WriteFile(filepath.Join(dir, name), []byte(change(name, string(b))), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// TestPromtoolConfigs checks the scrape example and the rules as they are.
func TestPromtoolConfigs(t *testing.T) {
	dir := copyConfigs(t, func(_, text string) string { return text })
	if err := os.WriteFile(filepath.Join(dir, "dewline.token"), []byte("a token\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	promtool(t, dir, "check", "config", "prometheus.yml")
	promtool(t, dir, "check", "rules", "recording.yml", "alerts.yml")
}

// TestPromtoolAlerts provokes every alert with made-up series, and lets none
// fire on a calm room.
func TestPromtoolAlerts(t *testing.T) {
	dir := copyConfigs(t, func(_, text string) string { return text })
	b, err := os.ReadFile(filepath.Join("testdata", "alerts_test.yml"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "alerts_test.yml"), b, 0o644); err != nil {
		t.Fatal(err)
	}
	promtool(t, dir, "test", "rules", "alerts_test.yml")
	rules, err := os.ReadFile(filepath.Join(dir, "alerts.yml"))
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile(`- alert: (\w+)`).FindAllStringSubmatch(string(rules), -1) {
		provoked := regexp.MustCompile(`alertname: ` + m[1] + `\n\s+exp_alerts:\n`).MatchString(string(b))
		if !provoked {
			t.Errorf("testdata/alerts_test.yml does not provoke %s", m[1])
		}
	}
}

// A query is one expression found in a file of configs.
type query struct{ where, expr string }

// dashboardQueries finds every expression and every variable of the dashboard.
func dashboardQueries(t *testing.T) []query {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(configsDir, "dashboard.json"))
	if err != nil {
		t.Fatal(err)
	}
	var doc any
	if err := json.Unmarshal(b, &doc); err != nil {
		t.Fatal(err)
	}
	var out []query
	var walk func(where string, v any)
	walk = func(where string, v any) {
		switch v := v.(type) {
		case map[string]any:
			if title, ok := v["title"].(string); ok {
				where = title
			}
			if expr, ok := v["expr"].(string); ok {
				out = append(out, query{"dashboard: " + where, expr})
			}
			if q, ok := v["query"].(string); ok && strings.HasPrefix(q, "label_values(") {
				metric, _, _ := strings.Cut(strings.TrimSuffix(strings.TrimPrefix(q, "label_values("), ")"), ", ")
				out = append(out, query{"dashboard: variable", metric})
			}
			for _, child := range v {
				walk(where, child)
			}
		case []any:
			for _, child := range v {
				walk(where, child)
			}
		}
	}
	walk("", doc)
	fill := strings.NewReplacer("$room", ".*", "$enclosure", ".*", "$__rate_interval", "1m")
	for i := range out {
		out[i].expr = fill.Replace(out[i].expr)
	}
	return out
}

// ruleQueries finds the expressions of a rule file by its own test of syntax:
// promtool has read the file already.
func ruleQueries(t *testing.T, name string) []query {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(configsDir, "prometheus", name))
	if err != nil {
		t.Fatal(err)
	}
	var out []query
	lines := strings.Split(string(b), "\n")
	for i, line := range lines {
		word := strings.TrimSpace(line)
		if after, ok := strings.CutPrefix(word, "- record: "); ok {
			out = append(out, query{where: after})
		} else if after, ok := strings.CutPrefix(word, "- alert: "); ok {
			out = append(out, query{where: after})
		}
		expr, ok := strings.CutPrefix(word, "expr: ")
		if !ok {
			continue
		}
		if expr == ">-" { // a folded block: what is indented further
			expr = ""
			indent := len(line) - len(strings.TrimLeft(line, " "))
			for _, more := range lines[i+1:] {
				if len(more)-len(strings.TrimLeft(more, " ")) <= indent {
					break
				}
				expr += strings.TrimSpace(more) + " "
			}
		}
		out[len(out)-1].expr = strings.TrimSpace(expr)
	}
	return out
}

// A promServer is a real one, started for a test on loopback.
type promServer struct {
	t    *testing.T
	base string
	from time.Time
}

// An output is what a process wrote so far.
type output struct {
	mu sync.Mutex // guards b
	b  strings.Builder
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.String()
}

func startPrometheus(t *testing.T, target, scrape string) *promServer {
	t.Helper()
	binary := tool(t, "prometheus")
	dir := copyConfigs(t, func(name, text string) string {
		if name == "prometheus.yml" {
			return fmt.Sprintf("global: {scrape_interval: %s, scrape_timeout: %[1]s, evaluation_interval: 1s}\n"+
				"rule_files: [recording.yml, alerts.yml]\nscrape_configs:\n- job_name: dewline\n  static_configs:\n"+
				"  - targets: [%[2]q]\n    labels: {room: demo}\n", scrape, target)
		}
		// A simulated hour is half a second here.
		text = regexp.MustCompile(`interval: \w+`).ReplaceAllString(text, "interval: 1s")
		return regexp.MustCompile(`(?m)^(\s+)for: \w+$`).ReplaceAllString(text, "${1}for: 0s")
	})
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	said := &output{}
	cmd := exec.CommandContext(ctx, binary, "--config.file="+filepath.Join(dir, "prometheus.yml"),
		"--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address=127.0.0.1:0")
	cmd.Stdout, cmd.Stderr = said, said
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	cmd.WaitDelay = 5 * time.Second
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cancel()
		_ = cmd.Wait()
		if t.Failed() {
			t.Logf("prometheus said:\n%s", said)
		}
	})
	p := &promServer{t: t, from: time.Now()}
	p.eventually("it listens", func() bool {
		m := regexp.MustCompile(`msg="Listening on" address=(\S+)`).FindStringSubmatch(said.String())
		if m != nil {
			p.base = "http://" + m[1]
		}
		return m != nil
	})
	p.eventually("it is ready", func() bool {
		resp, err := http.Get(p.base + "/-/ready")
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode == http.StatusOK
	})
	return p
}

// eventually polls a process outside this one, so it waits by the real clock.
func (p *promServer) eventually(what string, ok func() bool) {
	const limit = 5 * time.Minute // the slowest day takes two, and a busy machine its time
	p.t.Helper()
	ticker := time.NewTicker(100 * time.Millisecond)
	defer ticker.Stop()
	for end := time.Now().Add(limit); time.Now().Before(end); <-ticker.C {
		if ok() {
			return
		}
	}
	p.t.Fatalf("%s did not come about in %v", what, limit)
}

// samples evaluates expr over the whole run and returns how many samples came
// of it. A scalar counts as its samples.
func (p *promServer) samples(expr string) (int, error) { return p.samplesFrom(p.from, expr) }

func (p *promServer) samplesFrom(from time.Time, expr string) (int, error) {
	q := url.Values{
		"query": {expr}, "step": {"0.25"},
		"start": {fmt.Sprintf("%.3f", float64(from.UnixMilli())/1000)},
		"end":   {fmt.Sprintf("%.3f", float64(time.Now().UnixMilli())/1000)},
	}
	resp, err := http.PostForm(p.base+"/api/v1/query_range", q)
	if err != nil {
		return 0, err
	}
	defer resp.Body.Close()
	var a struct {
		Status, Error string
		Data          struct {
			Result []struct{ Values []json.RawMessage }
		}
	}
	if err := json.NewDecoder(resp.Body).Decode(&a); err != nil {
		return 0, err
	}
	if a.Status != "success" {
		return 0, errors.New(a.Error)
	}
	n := 0
	for _, s := range a.Data.Result {
		n += len(s.Values)
	}
	return n, nil
}

// A gate is an address that is there from the start and leads to the demo once
// that has one.
type gate struct {
	addr string
	to   atomic.Pointer[httputil.ReverseProxy]
}

func newGate(t *testing.T) *gate {
	t.Helper()
	g := &gate{}
	s := httptest.NewServer(g)
	t.Cleanup(s.Close)
	g.addr = s.Listener.Addr().String()
	return g
}

func (g *gate) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if to := g.to.Load(); to != nil {
		to.ServeHTTP(w, r)
		return
	}
	http.Error(w, "the demo is not there yet", http.StatusBadGateway)
}

// lead lets the gate lead to an address.
func (g *gate) lead(addr string) {
	// It stands in for the board's own port: that anything was forwarded is not said.
	to := &httputil.ReverseProxy{Rewrite: func(r *httputil.ProxyRequest) { r.SetURL(&url.URL{Scheme: "http", Host: addr}) }}
	to.ErrorLog = log.New(io.Discard, "", 0) // the demo is killed in the end
	g.to.Store(to)
}

// startDemo starts the demo and lets the gate lead to its page. It returns a
// function that kills it.
func startDemo(t *testing.T, binary string, g *gate, speed string) (kill func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	cmd := exec.CommandContext(ctx, binary, "demo", "--speed", speed, "--http", "127.0.0.1:0", "--data", t.TempDir())
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	found, done := make(chan string, 1), make(chan struct{})
	go func() {
		defer close(done)
		at := regexp.MustCompile(`http://(127\.0\.0\.1:\d+)/metrics`)
		for lines := bufio.NewScanner(stdout); lines.Scan(); {
			if m := at.FindStringSubmatch(lines.Text()); m != nil && len(found) == 0 {
				found <- m[1]
			}
		}
	}()
	kill = func() {
		cancel()
		<-done
		_ = cmd.Wait()
	}
	t.Cleanup(kill)
	select {
	case got := <-found:
		g.lead(got)
	case <-done:
		t.Fatal("the demo ended before it named its metrics")
	}
	return kill
}

// inTheStory are the alerts that the demo's day brings about for hours.
var inTheStory = []string{
	"DewlineCeilingReached", "DewlineCeilingAhead", "DewlineRoomWarming", "DewlineBelowFloor",
	"DewlineWakeUnanswered", "DewlineSecondLineAlive",
}

// TestRealPrometheus lets a real Prometheus scrape the running demo through its
// hot day, its night and the next morning, and runs every query of the
// dashboard and of the rules over it: none may be empty but those of faults
// that the story has not, which must still be understood.
func TestRealPrometheus(t *testing.T) {
	if testing.Short() {
		t.Skip("takes 20 s; DEWLINE_LONG=1 makes it 50 s and finds what is short in the story too")
	}
	tool(t, "prometheus")
	binary := built.Dewline(t)
	days, story := []day{{"9000", "250ms"}, {"2500", "250ms"}, {"1000", "1s"}, {"500", "2s"}}, inTheStory
	if os.Getenv("DEWLINE_LONG") != "" {
		// Slow enough that the figures, which are new once a second, show what
		// lasts less than an hour.
		days, story = days[1:], append(slices.Clone(story), "DewlineProbeSilent")
	}
	// A busy machine misses scrapes, and with them what is over within a second:
	// then a slower day must show all of it.
	var missing []string
	for _, d := range days {
		if missing = demoDay(t, binary, d, story); len(missing) == 0 {
			return
		}
		t.Logf("at %s times real time:\n%s", d.speed, strings.Join(missing, "\n"))
	}
	t.Errorf("%d queries or alerts show nothing", len(missing))
}

// A day is the demo's at a speed, and how often it is scraped, which is also how
// long a scrape may take.
type day struct{ speed, scrape string }

// demoDay has Prometheus scrape the demo's day, and returns what is missing in
// what it scraped.
func demoDay(t *testing.T, binary string, d day, story []string) (missing []string) {
	t.Helper()
	g := newGate(t)
	lacks := func(format string, args ...any) { missing = append(missing, fmt.Sprintf(format, args...)) }
	// Prometheus takes some seconds to begin scraping: first, so that it misses
	// nothing of the day.
	p := startPrometheus(t, g.addr, d.scrape)
	p.eventually("a scrape in vain", func() bool {
		n, err := p.samples("up")
		return err == nil && n > 0
	})
	kill := startDemo(t, binary, g, d.speed)
	p.eventually("a scrape", func() bool {
		n, err := p.samples("up == 1")
		return err == nil && n > 0
	})
	scraped := time.Now()
	p.eventually("a whole night", func() bool {
		n, err := p.samples("dewline_night_drop_celsius")
		return err == nil && n > 0
	})
	for _, q := range slices.Concat(dashboardQueries(t), ruleQueries(t, "recording.yml")) {
		n, err := p.samples(q.expr)
		if err != nil {
			t.Errorf("%s: %s: %v", q.where, q.expr, err)
		} else if n == 0 {
			lacks("%s: %s is empty", q.where, q.expr)
		}
	}
	for _, q := range ruleQueries(t, "recording.yml") {
		if n, err := p.samples(q.where); err != nil || n == 0 {
			lacks("%s was not recorded: %d, %v", q.where, n, err)
		}
	}
	for _, q := range ruleQueries(t, "alerts.yml") {
		n, err := p.samples(q.expr)
		if err != nil {
			t.Errorf("%s: %s: %v", q.where, q.expr, err)
		} else if n == 0 && slices.Contains(story, q.where) {
			lacks("%s: %s was never true in the demo's day", q.where, q.expr)
		}
	}
	for _, name := range []string{"DewlineCeilingReached", "DewlineSecondLineAlive"} {
		if n, err := p.samples(fmt.Sprintf("ALERTS{alertname=%q,alertstate=\"firing\"}", name)); err != nil || n == 0 {
			lacks("%s never fired: %d, %v", name, n, err)
		}
	}
	// A machine that is busy may miss a scrape, which this copy of the rule does
	// not wait out: the room must not be called silent while all are there.
	if n, err := p.samplesFrom(scraped, `ALERTS{alertname="DewlineRoomSilent"} and on() (min_over_time(up[5s]) == 1)`); err != nil || n > 0 {
		t.Errorf("the room was called silent while it was scraped: %d, %v", n, err)
	}
	kill()
	killed := time.Now()
	p.eventually("DewlineRoomSilent", func() bool {
		n, err := p.samplesFrom(killed, `ALERTS{alertname="DewlineRoomSilent",alertstate="firing"}`)
		return err == nil && n > 0
	})
	return missing
}

// TestQueriesFound: the walk above misses nothing.
func TestQueriesFound(t *testing.T) {
	b, err := os.ReadFile(filepath.Join(configsDir, "dashboard.json"))
	if err != nil {
		t.Fatal(err)
	}
	if got, want := len(dashboardQueries(t)), strings.Count(string(b), `"expr"`)+strings.Count(string(b), "label_values("); got != want || got < 20 {
		t.Errorf("found %d queries of the dashboard, want %d", got, want)
	}
	err = filepath.WalkDir(filepath.Join(configsDir, "prometheus"), func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Base(path) == "prometheus.yml" {
			return err
		}
		b, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		qs := ruleQueries(t, filepath.Base(path))
		if want := strings.Count(string(b), " expr:"); len(qs) != want {
			t.Errorf("%s: found %d queries, want %d", path, len(qs), want)
		}
		for _, q := range qs {
			if q.expr == "" {
				t.Errorf("%s: %s has no expression", path, q.where)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
