package page_test

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"dewline/cmd/dewline/built"
)

// A demo is a running `dewline demo`.
type demo struct {
	page, token string
	process     *os.Process
	killed      *bool // on purpose
}

// startDemo runs the program's demo on a free port.
func startDemo(t *testing.T, bin string, speed int) demo {
	t.Helper()
	cmd := exec.Command(bin, "demo", "--speed", fmt.Sprint(speed), "--http", "127.0.0.1:0", "--data", t.TempDir())
	cmd.Stderr = os.Stderr
	stdout, err := cmd.StdoutPipe()
	must(t, err)
	must(t, cmd.Start())
	killed := false
	t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		if err := cmd.Wait(); err != nil && !killed {
			t.Errorf("the demo ended with %v", err)
		}
	})
	var d demo
	found := make(chan demo, 1)
	go func() {
		var d demo
		page, token := regexp.MustCompile(`page\s+(http://\S+)/`), regexp.MustCompile(`token\s+(\S+)`)
		for s := bufio.NewScanner(stdout); s.Scan(); {
			if m := page.FindStringSubmatch(s.Text()); m != nil && d.page == "" {
				d.page = m[1]
			}
			if m := token.FindStringSubmatch(s.Text()); m != nil && d.token == "" {
				d.token = m[1]
				d.process, d.killed = cmd.Process, &killed
				found <- d
			}
		}
	}()
	select {
	case d = <-found:
	case <-time.After(patience):
		t.Fatal("the demo did not say where its page is")
	}
	return d
}

// The sizes are those of a small phone and of a desk; each in both themes.
var looks = []look{
	{"phone-light", 360, 740, false, true},
	{"phone-dark", 360, 740, true, true},
	{"desk-light", 1280, 900, false, false},
	{"desk-dark", 1280, 900, true, false},
}

// TestInABrowser goes through the morning of a keeper, on the running demo, and then
// through the end of it. With DEWLINE_SHOTS=DIR more pages are tried, both sizes in both
// themes, and the pictures are kept; with DEWLINE_NPM=1 axe-core judges every page too.
func TestInABrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("starts the demo and a browser")
	}
	b := startBrowser(t)
	// Its trouble of the morning comes after half a minute and lasts for three, so that a
	// slow browser finds it.
	d := startDemo(t, built.Dewline(t), 200)
	t.Run("morning", func(t *testing.T) { morning(t, b, d) })
	t.Run("no contact", func(t *testing.T) { noContact(t, b, d) })
}

func morning(t *testing.T, b *browser, d demo) {
	axe := axeSource(t)
	waitFor(t, d)
	acknowledge(t, b.open(t, looks[0]), d) // while the trouble is fresh
	tried, pages := []look{looks[0], looks[3]}, []string{"/", "/enclosure/a-1-2?span=week", "/alarms", "/login"}
	if os.Getenv("DEWLINE_SHOTS") != "" || axe != "" {
		tried, pages = looks, append(pages, "/enclosure/a-1-2", "/enclosure/b-3-1?span=week", "/enclosure/a-1-1?span=year", "/summary")
	}
	for _, l := range tried {
		tb := b.open(t, l)
		for _, page := range pages {
			tb.goTo(d.page + page)
			tb.wide()
			tb.judge(axe, page)
			picture := tb.keep
			if page == "/" {
				picture = tb.shot
			}
			picture(strings.Trim(strings.NewReplacer("/", "_", "?", "_", "=", "-").Replace(page), "_") + "_")
			tb.clean(d.page)
		}
		tb.close()
	}
	tb := b.open(t, looks[2])
	// The demo's record begins on the Saturday of this week.
	tb.goTo(d.page + "/summary")
	tb.says("week 2026-W29")
	stream(t, tb, d)
	tb.close()
}

// waitFor asks for the home page until the first trouble of the demo's day is on it.
// No browser draws it for that.
func waitFor(t *testing.T, d demo) {
	t.Helper()
	client := http.Client{Timeout: patience}
	look := time.NewTicker(time.Second)
	defer look.Stop()
	for end := time.Now().Add(patience); ; <-look.C {
		resp, err := client.Get(d.page + "/")
		must(t, err)
		home, err := io.ReadAll(resp.Body)
		must(t, errors.Join(err, resp.Body.Close()))
		if bytes.Contains(home, []byte(`id="needs"`)) {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("not within %s: something needs the keeper; the page is\n%s", patience, home)
		}
	}
}

// acknowledge logs in, acknowledges the first notice from the home page,
// shelves an alarm, writes a note and logs out.
func acknowledge(t *testing.T, tb *tab, d demo) {
	t.Helper()
	tb.goTo(d.page + "/")
	tb.after(func() { tb.eval(`document.querySelector(".card a[href^='/login']").click()`) })
	tb.eval(`document.querySelector("[name=token]").value = "wrong"`)
	tb.after(func() { tb.eval(`document.querySelector("main form button").click()`) })
	if !strings.Contains(tb.eval("document.body.innerText"), "not the token") {
		t.Error("a wrong token is not refused in words")
	}
	tb.mu.Lock()
	tb.console = nil // the browser notes the answer 403
	tb.mu.Unlock()
	tb.eval(`document.querySelector("[name=token]").value = "` + d.token + `"`)
	tb.eval(`document.querySelector("[name=by]").value = "Ada"`)
	tb.after(func() { tb.eval(`document.querySelector("main form button").click()`) })
	title := tb.eval(`document.querySelector("#needs ~ .card h3").innerText`)
	tb.keep("home-in_")
	tb.after(func() { tb.eval(`document.querySelector("#needs ~ .card button").click()`) })
	tb.says("Acknowledged.")
	tb.comes(d.page+"/", "acknowledged by Ada", title)
	tb.keep("home-acked_")

	tb.goTo(d.page + "/alarms")
	tb.eval(`window.form = document.querySelector("details option[value='720']").form; form.parentElement.open = true`)
	tb.keep("alarms-in_")
	tb.eval(`form.minutes.value = "720"; form.why.value = "nozzle <b>ordered</b>"`)
	tb.after(func() { tb.eval(`form.querySelector("button").click()`) })
	tb.says("Shelved: it is quiet until then.")
	tb.comes(d.page+"/alarms", "shelved: quiet for another", title)

	tb.goTo(d.page + "/enclosure/a-1-1")
	tb.eval(`document.querySelector("[name=text]").value = "fed <script>alert(1)</script> & counted"`)
	tb.after(func() { tb.eval(`document.querySelector("form.note button").click()`) })
	tb.comes(d.page+"/enclosure/a-1-1", "fed <script>alert(1)</script> & counted", "the note")
	tb.keep("enclosure-in_")
	tb.after(func() { tb.eval(`document.querySelector("header form button").click()`) })
	if tb.eval(`!!document.querySelector("header a[href^='/login']")`) != "true" {
		t.Error("still logged in after logging out")
	}
	tb.clean(d.page)
	tb.close()
}

func (tb *tab) says(text string) {
	tb.t.Helper()
	if all := tb.eval("document.body.innerText"); !strings.Contains(all, text) {
		tb.t.Errorf("the page does not say %q:\n%s", text, all)
	}
}

// comes waits until a page says something: on a busy machine the demo may need
// more than the moment that the page waits for it.
func (tb *tab) comes(url, text, about string) {
	tb.t.Helper()
	says := func() bool { return strings.Contains(tb.eval("document.body.innerText"), text) }
	tb.until(fmt.Sprintf("%s: the page says %q", about, text), func() bool {
		if says() {
			return true
		}
		tb.goTo(url)
		return says()
	})
}

// stream checks that a page left open follows the room.
func stream(t *testing.T, tb *tab, d demo) {
	t.Helper()
	tb.goTo(d.page + "/")
	before := tb.eval(`document.querySelector("time").innerText`)
	tb.until("a page left open shows another time", func() bool {
		return tb.eval(`document.querySelector("time").innerText`) != before
	})
	tb.clean(d.page)
}

// axeSource fetches axe-core from npm into a temporary directory where
// DEWLINE_NPM=1 allows it; empty otherwise.
func axeSource(t *testing.T) string {
	t.Helper()
	if os.Getenv("DEWLINE_NPM") != "1" {
		return ""
	}
	dir := t.TempDir()
	cmd := exec.Command("npm", "install", "--no-audit", "--no-fund", "--prefix", dir, "axe-core@4")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("npm install axe-core: %v\n%s", err, out)
	}
	b, err := os.ReadFile(filepath.Join(dir, "node_modules", "axe-core", "axe.min.js"))
	must(t, err)
	return string(b)
}

// judge runs axe-core's rules for WCAG 2.2 A and AA in the page.
func (tb *tab) judge(axe, page string) {
	tb.t.Helper()
	if axe == "" {
		return
	}
	tb.eval(axe + "; 0")
	found := tb.eval(`axe.run({runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}).then(r => r.violations.map(v => v.impact + " " + v.id + ": " + v.nodes.slice(0, 3).map(n => n.html.slice(0, 120) + " " + n.failureSummary).join(" | ")).join("\n"))`)
	for v := range strings.SplitSeq(found, "\n") {
		if v != "" {
			tb.t.Errorf("%s %s: %s", tb.look.name, page, v)
		}
	}
}
