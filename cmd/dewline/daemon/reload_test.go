package daemon

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/sensors/table"
)

// A site is a running daemon with a configuration file and a web server that
// takes its webhooks over.
type reloadSite struct {
	*Daemon
	t    *testing.T
	dir  string
	url  string
	got  chan string // path and body of each request
	fail chan bool   // one answer of 500 for each
	all  map[string]*dial
}

// webhooks is a configuration of one enclosure with what a test adds.
const webhooks = "[room]\nid = \"lab\"\ntimezone = \"UTC\"\npoll = \"1 s\"\n[http]\nlisten = \"\"\n" +
	"[[enclosure]]\nid = \"fern\"\nrack = \"r\"\nshelf = 1\nslot = 1\nspecies = \"dendrobates-tinctorius\"\n" +
	"[[probe]]\nid = \"p-fern\"\nfamily = \"iio\"\nplace = \"canopy\"\nenclosure = \"fern\"\npath = \"/x\"\n"

func newReloadSite(t *testing.T, text string) *reloadSite {
	t.Helper()
	s := &reloadSite{t: t, dir: t.TempDir(), got: make(chan string, 1000), fail: make(chan bool, 1000)}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		select {
		case <-s.fail:
			w.WriteHeader(http.StatusNotFound)
		default:
			s.got <- r.URL.Path + " " + string(body)
		}
	}))
	t.Cleanup(srv.Close)
	s.url = srv.URL
	s.write(text)
	cfg, err := table.Load(s.file())
	if err != nil {
		t.Fatal(err)
	}
	all, pick := dials(cfg, 24, 85)
	s.all = all
	s.Daemon, err = New(Options{
		Config: cfg, ConfigPath: s.file(), Dir: filepath.Join(s.dir, "data"), Source: samplers(pick),
		Clock: func(resume time.Duration) func() sensors.Instant {
			return sensors.NewClock(resume, func() bool { return true }).Now
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	s.until("there are readings", func() bool { return s.Readings() > 2 })
	return s
}

func (s *reloadSite) file() string { return filepath.Join(s.dir, "dewline.toml") }

func (s *reloadSite) write(text string) {
	s.t.Helper()
	if err := os.WriteFile(s.file(), []byte(webhooks+strings.ReplaceAll(text, "URL", s.url)), 0o600); err != nil {
		s.t.Fatal(err)
	}
}

// until waits for what another goroutine brings about.
func (s *reloadSite) until(what string, ok func() bool) {
	s.t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	late := time.After(2 * time.Minute)
	for !ok() {
		select {
		case <-tick.C:
		case <-late:
			s.t.Fatalf("still not: %s", what)
		}
	}
}

// reload puts another text in force, or has it refused.
func (s *reloadSite) reload(text string) {
	s.t.Helper()
	loaded, why := *s.loadedAt.Load(), *s.refused.Load()
	s.write(text)
	s.Reload()
	s.until("the file is read", func() bool {
		now := *s.refused.Load()
		return s.loadedAt.Load().After(loaded) || now != why && now != ""
	})
	_ = s.loop.call(s.t.Context(), func(sensors.Instant) error { return nil }) // what the reload asked of the core is done
}

// takes waits for a request to a path whose body holds what.
func (s *reloadSite) takes(path, what string) string {
	s.t.Helper()
	late := time.After(2 * time.Minute)
	for {
		select {
		case got := <-s.got:
			if strings.HasPrefix(got, path+" ") && strings.Contains(got, what) {
				return got
			}
		case <-late:
			s.t.Fatalf("nothing came to %s about %s", path, what)
		}
	}
}

func (s *reloadSite) heat() {
	s.t.Helper()
	s.all["p-fern"].set(28, 80)
	n := s.Readings()
	s.until("it warms", func() bool { return s.Readings() >= n+2 })
	s.all["p-fern"].set(31, 80)
}

func hook(id, path string, more ...string) string {
	return fmt.Sprintf("[[webhook]]\nid = %q\nurl = \"URL%s\"\n%s", id, path, strings.Join(more, "\n")+"\n")
}

func person(id string, channels ...string) string {
	return fmt.Sprintf("[[person]]\nid = %q\nchannels = [\"%s\"]\n", id, strings.Join(channels, `", "`))
}

// A reload that renames a webhook and the channel of whom it reaches sends what
// is open there at once, and everything after.
func TestReloadRenamesAWebhook(t *testing.T) {
	s := newReloadSite(t, hook("old", "/old")+person("sam", "old"))
	s.heat()
	s.takes("/old", "lethal")
	s.reload(hook("new", "/new") + person("sam", "new"))
	s.takes("/new", "lethal")
	if _, err := s.Drill(t.Context(), "sam", "keeper"); err != nil {
		t.Fatal(err)
	}
	s.takes("/new", "drill")
}

// What was refused at an address waits for minutes; the address mended, it goes
// at once.
func TestReloadMendsAnAddress(t *testing.T) {
	s := newReloadSite(t, hook("push", "/wrong")+person("sam", "push"))
	s.fail <- true
	s.heat()
	s.until("it is refused", func() bool { return len(s.fail) == 0 })
	s.reload(hook("push", "/right") + person("sam", "push"))
	s.takes("/right", "lethal")
}

// Whoever takes the place of a person is told at once of what is open.
func TestReloadRenamesAPerson(t *testing.T) {
	s := newReloadSite(t, hook("a", "/a")+hook("b", "/b")+person("sam", "a"))
	s.heat()
	s.takes("/a", "lethal")
	s.reload(hook("a", "/a") + hook("b", "/b") + person("robin", "b"))
	s.takes("/b", "lethal")
}

// A webhook whose secret cannot be read is left out; the others work, and it does
// once the secret is there and the file is read again.
func TestReloadWithoutASecret(t *testing.T) {
	s := newReloadSite(t, hook("a", "/a")+person("sam", "a"))
	key := filepath.Join(s.dir, "key")
	text := hook("a", "/a") + hook("b", "/b", fmt.Sprintf("secret_file = %q", key)) + person("sam", "b", "a")
	s.reload(text)
	if why := *s.refused.Load(); why != "" {
		t.Fatal(why)
	}
	s.heat()
	s.takes("/a", "lethal")
	if err := os.WriteFile(key, []byte("correct-horse-battery"), 0o600); err != nil {
		t.Fatal(err)
	}
	s.reload(text)
	s.takes("/b", "lethal")
}

// What only a start reads is refused with all that came with it, the reason is an
// alarm, and everything goes on as it was.
func TestReloadIsRefusedAsAWhole(t *testing.T) {
	for _, c := range []struct{ name, text string }{
		{"store.dir", "[store]\ndir = \"/elsewhere\"\n"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newReloadSite(t, hook("old", "/old")+person("sam", "old"))
			before := s.cfg.Load()
			s.reload(c.text + hook("new", "/new") + person("sam", "new"))
			if s.cfg.Load() != before {
				t.Error("half of it is in force")
			}
			_ = s.loop.call(t.Context(), func(sensors.Instant) error {
				for _, v := range s.loop.core.Open() {
					if v.Key.Alarm == alarm.ConfigRefused && slices.ContainsFunc(v.Detail.Evidence, func(f alarm.Fact) bool { return strings.Contains(f.Note, c.name) }) {
						return nil
					}
				}
				t.Errorf("no alarm names %s: %+v", c.name, s.loop.core.Open())
				return nil
			})
			s.heat()
			s.takes("/old", "lethal")
			s.reload(hook("new", "/new") + person("sam", "new"))
			s.takes("/new", "lethal")
			if why := *s.refused.Load(); why != "" {
				t.Errorf("taken back, it is still refused: %s", why)
			}
		})
	}
}

// A reload moves the page, shows it with the token that is named now, and keeps the
// old one where the new address cannot be opened.
func TestReloadMovesThePage(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	token := filepath.Join(t.TempDir(), "token")
	if err := os.WriteFile(token, []byte("a-long-token-of-the-den\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	s := newReloadSite(t, hook("a", "/a")+person("sam", "a"))
	page := func(listen string) string {
		return strings.Replace(webhooks, "listen = \"\"", listen, 1) + strings.ReplaceAll(hook("a", "/a"), "URL", s.url) + person("sam", "a")
	}
	put := func(text string) {
		t.Helper()
		if err := os.WriteFile(s.file(), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		s.Reload()
		s.until("the reload is done", func() bool { return len(s.reloads) == 0 })
	}
	status := func(method, path, token string) int {
		t.Helper()
		req, err := http.NewRequestWithContext(t.Context(), method, "http://"+s.site.Addr()+path, strings.NewReader("{}"))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Authorization", "Bearer "+token)
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			return 0
		}
		_ = resp.Body.Close()
		return resp.StatusCode
	}
	put(page("listen = \"127.0.0.1:0\""))
	s.until("the page is open", func() bool { return s.site.Addr() != "" })
	if got := status("POST", "/api/v1/reload", "a-long-token-of-the-den"); got != http.StatusUnauthorized {
		t.Errorf("a change without a token in force: %d", got)
	}
	put(page("listen = \"127.0.0.1:0\"\ntoken_file = \"" + token + "\""))
	s.until("the token is in force", func() bool { return s.cfg.Load().HTTP.TokenFile == token && s.site.Addr() != "" })
	if got := status("POST", "/api/v1/reload", "a-long-token-of-the-den"); got >= 400 {
		t.Errorf("a change with the token in force: %d", got)
	}
	s.until("the reload is done", func() bool { return len(s.reloads) == 0 })
	was := s.cfg.Load().HTTP
	put(page("listen = \"" + taken.Addr().String() + "\"\ntoken_file = \"" + token + "\""))
	s.until("the address in use is told", func() bool { return strings.Contains(*s.refused.Load(), "http.listen") })
	if s.cfg.Load().HTTP != was {
		t.Error("a configuration whose page cannot be opened is in force")
	}
	s.until("the page is where it was", func() bool { return status("GET", "/healthz", "") != 0 })
}

// How long and how much is kept changes without a restart.
func TestReloadChangesWhatIsKept(t *testing.T) {
	s := newReloadSite(t, hook("a", "/a")+person("sam", "a"))
	s.reload(hook("a", "/a") + person("sam", "a") + "[store]\nmax_mib = 64\n")
	if got := s.record.Store().Stats().CapBytes; got != 64<<20 {
		t.Errorf("the record may take %d bytes, want 64 MiB", got)
	}
}

// Another address of the broker is connected to, and the old one is left.
func TestReloadChangesTheBroker(t *testing.T) {
	brokers := make([]net.Listener, 2)
	came, left := make(chan int, 100), make(chan int, 100)
	for i := range brokers {
		ln, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = ln.Close() })
		brokers[i] = ln
		go func() {
			for {
				c, err := ln.Accept()
				if err != nil {
					return
				}
				came <- i
				_, _ = io.Copy(io.Discard, c) // it never answers
				_ = c.Close()
				left <- i
			}
		}()
	}
	text := func(i int) string {
		return fmt.Sprintf("[mqtt]\nbroker = \"tcp://%s\"\n", brokers[i].Addr()) + person("sam", "mqtt")
	}
	s := newReloadSite(t, text(0))
	if i := <-came; i != 0 {
		t.Fatal("another broker than the one in force is asked")
	}
	s.reload(text(1))
	late := time.After(2 * time.Minute)
	for {
		select {
		case i := <-came:
			if i == 1 {
				return
			}
		case <-left:
		case <-late:
			t.Fatal("the new broker is not asked")
		}
	}
}

// A password that was mended in its file is used after a reload, though the
// configuration is the same; a file that is gone ends no connection that works.
func TestReloadTakesAnotherPassword(t *testing.T) {
	file := filepath.Join(t.TempDir(), "password")
	write := func(password string) {
		t.Helper()
		if err := os.WriteFile(file, []byte(password+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("wrong")
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = ln.Close() })
	s := newReloadSite(t, fmt.Sprintf("[mqtt]\nbroker = \"tcp://%s\"\nusername = \"den\"\npassword_file = %q\n", ln.Addr(), file)+person("sam", "mqtt"))
	reload := func() {
		t.Helper()
		loaded := *s.loadedAt.Load()
		s.Reload()
		s.until("the file is read", func() bool { return s.loadedAt.Load().After(loaded) })
		_ = s.loop.call(t.Context(), func(sensors.Instant) error { return nil })
	}
	first := s.loop.channels.broker()
	if reload(); s.loop.channels.broker() != first {
		t.Error("a reload without a change cuts the connection")
	}
	write("right")
	reload()
	second := s.loop.channels.broker()
	if second == first {
		t.Error("the old password is used on")
	}
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	if reload(); s.loop.channels.broker() != second {
		t.Error("a connection is cut for want of a password that it does not need")
	}
}
