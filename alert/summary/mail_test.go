package summary

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"image/png"
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	netmail "net/mail"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline/alert/mail"
	"dewline/configs/unit"
	"dewline/sensors"

	"github.com/emersion/go-smtp"
)

// An inbox is a real SMTP server (emersion/go-smtp) that keeps what it gets.
type inbox struct {
	mu   sync.Mutex // guards got
	got  [][]byte
	port int
}

func newInbox(t *testing.T) *inbox {
	t.Helper()
	in := &inbox{}
	srv := smtp.NewServer(smtp.BackendFunc(func(*smtp.Conn) (smtp.Session, error) { return &session{in}, nil }))
	srv.Domain = "localhost"
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	in.port = l.Addr().(*net.TCPAddr).Port
	go srv.Serve(l)
	t.Cleanup(func() { srv.Close() })
	return in
}

type session struct{ in *inbox }

func (*session) Reset()                               {}
func (*session) Logout() error                        { return nil }
func (*session) Mail(string, *smtp.MailOptions) error { return nil }
func (*session) Rcpt(string, *smtp.RcptOptions) error { return nil }
func (s *session) Data(r io.Reader) error {
	b, err := io.ReadAll(r)
	s.in.mu.Lock()
	defer s.in.mu.Unlock()
	s.in.got = append(s.in.got, b)
	return err
}

// A letter is a mail taken apart.
type letter struct {
	header     netmail.Header
	text, html string
	files      map[string][]byte // by content id
	size       int
}

func (in *inbox) open(t *testing.T) letter {
	t.Helper()
	in.mu.Lock()
	defer in.mu.Unlock()
	if len(in.got) != 1 {
		t.Fatalf("%d mails arrived", len(in.got))
	}
	m, err := netmail.ReadMessage(bytes.NewReader(in.got[0]))
	if err != nil {
		t.Fatal(err)
	}
	l := letter{header: m.Header, files: map[string][]byte{}, size: len(in.got[0])}
	l.part(t, m.Header.Get("Content-Type"), m.Header.Get("Content-Transfer-Encoding"), "", m.Body)
	return l
}

// part takes one part of the mail apart (RFC 2045, 2046).
func (l *letter) part(t *testing.T, contentType, encoding, id string, body io.Reader) {
	t.Helper()
	kind, params, err := mime.ParseMediaType(contentType)
	if err != nil {
		t.Fatalf("content type %q: %v", contentType, err)
	}
	if strings.HasPrefix(kind, "multipart/") {
		mr := multipart.NewReader(body, params["boundary"])
		for {
			p, err := mr.NextRawPart()
			if err == io.EOF {
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			l.part(t, p.Header.Get("Content-Type"), p.Header.Get("Content-Transfer-Encoding"), p.Header.Get("Content-Id"), p)
		}
	}
	switch strings.ToLower(encoding) {
	case "base64":
		body = base64.NewDecoder(base64.StdEncoding, body)
	case "quoted-printable":
		body = quotedprintable.NewReader(body)
	}
	b, err := io.ReadAll(body)
	if err != nil {
		t.Fatal(err)
	}
	switch kind {
	case "text/plain":
		l.text = string(b)
	case "text/html":
		l.html = string(b)
	default:
		l.files[id] = b
	}
}

// received sends a report through a real server and takes the mail apart.
func received(t *testing.T, r *Report, u unit.Scale) letter {
	t.Helper()
	in := newInbox(t)
	sender, err := mail.New(mail.Options{Host: "127.0.0.1", Port: in.port, From: "dewline@example.org", TLS: mail.Plain, Room: "test"})
	if err != nil {
		t.Fatal(err)
	}
	m, err := r.Mail(u, "sam@example.org", "sam")
	if err != nil {
		t.Fatal(err)
	}
	if err := sender.SendSummary(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	return in.open(t)
}

// checkLetter checks what every summary must hold to in a mail program.
func checkLetter(t *testing.T, l letter, r *Report, u unit.Scale) {
	t.Helper()
	if got := strings.ReplaceAll(l.text, "\r\n", "\n"); got != r.Text(u) {
		t.Errorf("the text arrived changed:\n%s", got)
	}
	refs := regexp.MustCompile(`src="cid:([^"]+)"`).FindAllStringSubmatch(l.html, -1)
	used := map[string]bool{}
	width, height, _ := pictureSize(len(r.Enclosures))
	for _, m := range refs {
		id := "<" + m[1] + ">" // RFC 2392: the header has brackets, the URL has none
		used[id] = true
		img, err := png.Decode(bytes.NewReader(l.files[id]))
		if err != nil {
			t.Errorf("picture %s: %v", m[1], err)
			continue
		}
		if b := img.Bounds(); b.Dx() != width || b.Dy() != height {
			t.Errorf("picture %s is %v", m[1], b)
		}
	}
	if len(used) != len(l.files) || len(refs) != len(l.files) {
		t.Errorf("%d pictures are shown %d times", len(l.files), len(refs))
	}
	for _, bad := range []string{"<script", "<style", "javascript:", "http://", "https://", "<link", "<iframe", "onload=", "ZgotmplZ", "<form", "\x01"} {
		if strings.Contains(l.html, bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	for _, img := range regexp.MustCompile(`<img [^>]*>`).FindAllString(l.html, -1) {
		if !regexp.MustCompile(`alt="[^"]{20,}"`).MatchString(img) {
			t.Errorf("a picture without a description: %s", img)
		}
	}
	for i := range r.Enclosures {
		if !strings.Contains(l.text, r.Enclosures[i].Name) || !strings.Contains(l.html, r.Enclosures[i].Name) {
			t.Errorf("%s is missing", r.Enclosures[i].Name)
		}
	}
}

// TestReceived sends the known week through a real SMTP server.
func TestReceived(t *testing.T) {
	_, r := eventful(t)
	l := received(t, r, unit.Celsius)
	checkLetter(t, l, r, unit.Celsius)
	if !strings.Contains(l.html, "clutch seen &lt;b&gt;under&lt;/b&gt; the fern") {
		t.Error("a note was not escaped")
	}
	if s, _ := new(mime.WordDecoder).DecodeHeader(l.header.Get("Subject")); s != r.Subject() {
		t.Errorf("subject %q", s)
	}
	shoot(t, l, "known")
}

// TestFortyEight: the mail of a full room stays under 400 KB with its pictures,
// as one file too, and its page under the 102 KB that some mail programs show
// (from memory).
func TestFortyEight(t *testing.T) {
	from := time.Date(2026, 11, 9, 0, 0, 0, 0, time.UTC)
	r := newRig(t, "UTC", 48, from)
	r.step = 10 * time.Minute
	by := map[sensors.ProbeID]weather{}
	for i := range 48 {
		by[sensors.ProbeID(fmt.Sprintf("p%d", i+1))] = restless(i)
	}
	r.fill(from.AddDate(0, 0, 6), from.AddDate(0, 0, 14), by)
	for i := range 48 { // a bad week: each was too warm and too dry once
		at := from.AddDate(0, 0, 7+i%7).Add(13 * time.Hour)
		for _, id := range []string{"above-band", "humidity-floor"} {
			onset := fmt.Sprintf("%s/e%d/1", id, i+1)
			r.journal(r.step1(at, onset, "NORM", "UNACK", "today", ""), r.step1(at.Add(2*time.Hour), onset, "UNACK", "NORM", "today", ""))
		}
	}
	began := time.Now()
	report := r.build("2026-W47", from.AddDate(0, 0, 15))
	t.Logf("built in %v", time.Since(began).Round(time.Millisecond))
	l := received(t, report, unit.Celsius)
	checkLetter(t, l, report, unit.Celsius)
	if l.size >= 400_000 {
		t.Errorf("the mail has %d bytes", l.size)
	}
	if len(l.html) >= 102_000 {
		t.Errorf("the page has %d bytes", len(l.html))
	}
	pics, err := report.Pictures(unit.Celsius)
	if err != nil {
		t.Fatal(err)
	}
	var file bytes.Buffer
	if err := report.HTML(&file, unit.Celsius, pics, Inside); err != nil {
		t.Fatal(err)
	}
	if file.Len() >= 400_000 {
		t.Errorf("the page with its pictures inside has %d bytes", file.Len())
	}
	t.Logf("mail %d bytes, page %d, text %d, page with pictures inside %d", l.size, len(l.html), len(l.text), file.Len())
	if os.Getenv("DEWLINE_LONG") != "" || os.Getenv("DEWLINE_SCREENSHOTS") != "" {
		shoot(t, l, "room")
	}
}

// restless is a climate with noise, other in each enclosure, so that pictures
// do not compress better than real ones.
func restless(n int) weather {
	quiet := calm(time.UTC)
	seed := uint64(n)*0x9e3779b97f4a7c15 + 1
	return func(at time.Time) (float64, float64, bool) {
		seed ^= seed << 13
		seed ^= seed >> 7
		seed ^= seed << 17
		c, h, _ := quiet(at)
		noise := float64(seed%1000)/1000 - 0.5
		drift := float64((at.Unix()/7200+int64(n)*31)%17) / 10
		return c + noise*0.6 + drift, h - 8*drift + noise*4, true
	}
}

// shoot renders the received page in a browser, with its pictures put where
// their content ids point, and checks that the browser drew it.
func shoot(t *testing.T, l letter, name string) {
	t.Helper()
	browser := ""
	for _, b := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(b); err == nil {
			browser = p
			break
		}
	}
	if browser == "" {
		t.Log("no chromium on this machine: the page was not rendered")
		return
	}
	dir := t.TempDir()
	if out := os.Getenv("DEWLINE_SCREENSHOTS"); out != "" {
		dir = out // keep them to be looked at
	}
	html := l.html
	for id, data := range l.files {
		id = strings.Trim(id, "<>")
		if err := os.WriteFile(filepath.Join(dir, name+"-"+id), data, 0o644); err != nil {
			t.Fatal(err)
		}
		html = strings.ReplaceAll(html, "cid:"+id, name+"-"+id)
	}
	page := filepath.Join(dir, name+".html")
	if err := os.WriteFile(page, []byte(html), 0o644); err != nil {
		t.Fatal(err)
	}
	sizes := map[string]string{"phone": "390,2200"}
	if os.Getenv("DEWLINE_LONG") != "" || os.Getenv("DEWLINE_SCREENSHOTS") != "" {
		sizes["desk"] = "780,2200"
	}
	// Its last processes may write into the folder after its end, which t.TempDir would not bear.
	profile, err := os.MkdirTemp("", "dewline-browser-")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = os.RemoveAll(profile) }()
	for size, wide := range sizes {
		shot := filepath.Join(dir, name+"-"+size+".png")
		cmd := exec.CommandContext(t.Context(), browser, "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
			"--hide-scrollbars", "--user-data-dir="+profile, "--window-size="+wide, "--screenshot="+shot, "file://"+page)
		cmd.Env = append(os.Environ(), "HOME="+profile)
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("chromium: %v\n%s", err, out)
		}
		f, err := os.Open(shot)
		if err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(f)
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		colours := map[uint32]bool{}
		for y := 0; y < img.Bounds().Dy(); y += 3 {
			for x := 0; x < img.Bounds().Dx(); x += 3 {
				r, g, b, _ := img.At(x, y).RGBA()
				colours[r>>8<<16|g>>8<<8|b>>8] = true
			}
		}
		if len(colours) < 20 {
			t.Errorf("the %s picture of the page has %d colours: it is as good as empty", size, len(colours))
		}
	}
}
