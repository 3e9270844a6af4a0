package page_test

import (
	"bufio"
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"
)

// patience is how long what another process does may take before the test fails.
const patience = 2 * time.Minute

// A browser is a headless Chromium, driven through the Chrome DevTools
// Protocol.
type browser struct {
	conn *websocket.Conn

	mu      sync.Mutex // guards what follows
	next    int
	waiting map[int]chan reply
	tabs    map[string]*tab
}

type reply struct {
	Result json.RawMessage
	Error  *struct{ Message string }
}

// startBrowser starts Chromium with a profile of its own, or skips the test.
func startBrowser(t *testing.T) *browser {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		t.Skip("no Chromium on this machine: the page is not tried in a browser")
	}
	// Its last processes may write into the folder after its end, which t.TempDir would not bear.
	profile, err := os.MkdirTemp("", "dewline-browser-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(profile) })
	cmd := exec.Command(path, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
		"--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage",
		"--hide-scrollbars", "--force-color-profile=srgb", "--remote-debugging-port=0",
		"--user-data-dir="+profile, "about:blank")
	cmd.Env = append(os.Environ(), "HOME="+profile)
	stderr, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	b := &browser{waiting: map[int]chan reply{}, tabs: map[string]*tab{}}
	t.Cleanup(func() {
		if b.conn != nil {
			_ = b.send(json.RawMessage(`{"id":0,"method":"Browser.close"}`))
		}
		done := make(chan struct{})
		go func() { _ = cmd.Wait(); close(done) }()
		select {
		case <-done:
		case <-time.After(patience):
			_ = cmd.Process.Kill()
			<-done
		}
	})
	address := make(chan string, 1)
	go func() {
		found := regexp.MustCompile(`DevTools listening on (ws://\S+)`)
		for s := bufio.NewScanner(stderr); s.Scan(); {
			if m := found.FindStringSubmatch(s.Text()); m != nil {
				address <- m[1]
			}
		}
	}()
	select {
	case ws := <-address:
		if b.conn, _, err = websocket.DefaultDialer.Dial(ws, nil); err != nil {
			t.Fatal(err)
		}
	case <-time.After(patience):
		t.Fatal("Chromium did not start")
	}
	go b.read()
	return b
}

func (b *browser) send(v any) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.conn.WriteJSON(v)
}

// read hands answers to who waits for them and events to their tab.
func (b *browser) read() {
	for {
		var m struct {
			ID        int
			SessionID string
			Method    string
			Params    json.RawMessage
			reply
		}
		if err := b.conn.ReadJSON(&m); err != nil {
			b.mu.Lock()
			for id, c := range b.waiting {
				c <- reply{Error: &struct{ Message string }{"the browser is gone"}}
				delete(b.waiting, id)
			}
			b.mu.Unlock()
			return
		}
		b.mu.Lock()
		c, tab := b.waiting[m.ID], b.tabs[m.SessionID]
		delete(b.waiting, m.ID)
		b.mu.Unlock()
		if m.ID != 0 && c != nil {
			c <- m.reply
		} else if tab != nil {
			tab.event(m.Method, m.Params)
		}
	}
}

func (b *browser) call(ctx context.Context, session, method string, params, into any) error {
	b.mu.Lock()
	b.next++
	id, c := b.next, make(chan reply, 1)
	b.waiting[id] = c
	b.mu.Unlock()
	msg := map[string]any{"id": id, "method": method, "params": params}
	if params == nil {
		msg["params"] = map[string]any{}
	}
	if session != "" {
		msg["sessionId"] = session
	}
	if err := b.send(msg); err != nil {
		return err
	}
	select {
	case r := <-c:
		if r.Error != nil {
			return fmt.Errorf("%s: %s", method, r.Error.Message)
		}
		if into != nil {
			return json.Unmarshal(r.Result, into)
		}
		return nil
	case <-ctx.Done():
		return fmt.Errorf("%s: %w", method, context.Cause(ctx))
	}
}

// A look is how a reader sees a page.
type look struct {
	name          string
	width, height int
	dark, phone   bool
}

// A tab is one page in a browser with cookies of its own.
type tab struct {
	t       *testing.T
	b       *browser
	context string // what holds its cookies
	session string
	look    look

	mu       sync.Mutex // guards what follows
	loaded   chan struct{}
	console  []string
	requests []string
}

// open returns an empty tab of a look.
func (b *browser) open(t *testing.T, l look) *tab {
	t.Helper()
	var made struct{ BrowserContextID, TargetID, SessionID string }
	ctx := t.Context()
	must(t, b.call(ctx, "", "Target.createBrowserContext", nil, &made))
	must(t, b.call(ctx, "", "Target.createTarget", map[string]any{"url": "about:blank", "browserContextId": made.BrowserContextID}, &made))
	must(t, b.call(ctx, "", "Target.attachToTarget", map[string]any{"targetId": made.TargetID, "flatten": true}, &made))
	tb := &tab{t: t, b: b, context: made.BrowserContextID, session: made.SessionID, look: l, loaded: make(chan struct{}, 100)}
	b.mu.Lock()
	b.tabs[made.SessionID] = tb
	b.mu.Unlock()
	for _, domain := range []string{"Page", "Runtime", "Network", "Log"} {
		tb.do(domain+".enable", nil, nil)
	}
	scheme := "light"
	if l.dark {
		scheme = "dark"
	}
	tb.do("Emulation.setEmulatedMedia", map[string]any{"features": []map[string]string{{"name": "prefers-color-scheme", "value": scheme}}}, nil)
	tb.do("Emulation.setDeviceMetricsOverride", map[string]any{"width": l.width, "height": l.height, "deviceScaleFactor": 1, "mobile": l.phone}, nil)
	return tb
}

// close ends a tab: one that is left open follows the room and draws it anew.
func (tb *tab) close() {
	tb.t.Helper()
	must(tb.t, tb.b.call(tb.t.Context(), "", "Target.disposeBrowserContext", map[string]any{"browserContextId": tb.context}, nil))
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func (tb *tab) do(method string, params, into any) {
	tb.t.Helper()
	ctx, cancel := context.WithTimeoutCause(tb.t.Context(), patience, fmt.Errorf("no answer within %s", patience))
	defer cancel()
	must(tb.t, tb.b.call(ctx, tb.session, method, params, into))
}

// event notes what a page must not do.
func (tb *tab) event(method string, params json.RawMessage) {
	tb.mu.Lock()
	defer tb.mu.Unlock()
	switch method {
	case "Page.loadEventFired":
		select {
		case tb.loaded <- struct{}{}:
		default:
		}
	case "Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Log.entryAdded":
		tb.console = append(tb.console, string(params))
	case "Network.requestWillBeSent":
		var p struct{ Request struct{ URL string } }
		if json.Unmarshal(params, &p) == nil {
			tb.requests = append(tb.requests, p.Request.URL)
		}
	}
}

// goTo loads an address and waits for everything on it.
func (tb *tab) goTo(url string) {
	tb.t.Helper()
	tb.after(func() { tb.do("Page.navigate", map[string]any{"url": url}, nil) })
}

// after runs f and waits for the page that it leads to.
func (tb *tab) after(f func()) {
	tb.t.Helper()
	for len(tb.loaded) > 0 {
		<-tb.loaded
	}
	f()
	select {
	case <-tb.loaded:
	case <-time.After(patience):
		tb.t.Fatalf("%s: no page within %s", tb.look.name, patience)
	}
}

// eval runs a script in the page and returns its value as a string.
func (tb *tab) eval(script string) string {
	tb.t.Helper()
	var out struct {
		Result struct {
			Value any
		}
		ExceptionDetails *struct{ Text string }
	}
	tb.do("Runtime.evaluate", map[string]any{"expression": script, "returnByValue": true, "awaitPromise": true}, &out)
	if out.ExceptionDetails != nil {
		tb.t.Fatalf("%s: %s: %s", tb.look.name, script, out.ExceptionDetails.Text)
	}
	return fmt.Sprint(out.Result.Value)
}

// keep is shot where DEWLINE_SHOTS asks for pictures: drawing one costs more than all else.
func (tb *tab) keep(name string) {
	tb.t.Helper()
	if os.Getenv("DEWLINE_SHOTS") != "" {
		tb.shot(name)
	}
}

// shot keeps a picture of the whole page in the directory that DEWLINE_SHOTS
// names, or in a temporary one.
func (tb *tab) shot(name string) {
	tb.t.Helper()
	dir := os.Getenv("DEWLINE_SHOTS")
	if dir == "" {
		dir = tb.t.TempDir()
	}
	tb.eval(`Promise.all([...document.images].map(i => { i.loading = "eager"; return i.complete ? 0 : new Promise(r => { i.onload = i.onerror = r; }); })).then(() => 0)`)
	var size struct {
		CSSContentSize struct{ Width, Height float64 }
	}
	tb.do("Page.getLayoutMetrics", nil, &size)
	var pic struct{ Data string }
	tb.do("Page.captureScreenshot", map[string]any{
		"format": "png", "captureBeyondViewport": true,
		"clip": map[string]any{"x": 0, "y": 0, "width": tb.look.width, "height": max(size.CSSContentSize.Height, float64(tb.look.height)), "scale": 1},
	}, &pic)
	b, err := base64.StdEncoding.DecodeString(pic.Data)
	must(tb.t, err)
	if len(b) < 2000 {
		tb.t.Errorf("%s: the picture has %d bytes: nothing is on it", name, len(b))
	}
	must(tb.t, os.WriteFile(filepath.Join(dir, name+"-"+tb.look.name+".png"), b, 0o644))
}

// clean fails where the page complained or asked another machine for
// anything.
func (tb *tab) clean(origin string) {
	tb.t.Helper()
	tb.mu.Lock()
	defer tb.mu.Unlock()
	for _, c := range tb.console {
		tb.t.Errorf("%s: the console says %s", tb.look.name, c)
	}
	for _, u := range tb.requests {
		if !strings.HasPrefix(u, origin+"/") && !strings.HasPrefix(u, "about:") && !strings.HasPrefix(u, "data:") {
			tb.t.Errorf("%s: asks %s", tb.look.name, u)
		}
	}
	if len(tb.requests) == 0 {
		tb.t.Errorf("%s: no request was seen, so nothing was checked", tb.look.name)
	}
	tb.console, tb.requests = nil, nil
}

// wide reports by how many pixels the page is wider than the window, and what
// sticks out.
func (tb *tab) wide() {
	tb.t.Helper()
	over := tb.eval(`(() => { const w = document.documentElement.clientWidth; if (document.documentElement.scrollWidth <= w) return "";
		return [...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > w + 1 && !e.closest(".scroll")).slice(0, 3).map(e => e.outerHTML.slice(0, 80)).join(" | ") || "wider"; })()`)
	if over != "" {
		tb.t.Errorf("%s: the page is wider than the window: %s", tb.look.name, over)
	}
}
