// Package webhook is the channel that POSTs notices to an address: CloudEvents
// 1.0 in structured JSON mode, or a body of the keeper's own template for
// gateways that want another form. It also sends the outside heartbeat.
//
// Redirects are not followed, answers are read to a limit, and the address's
// secrets do not show in errors.
package webhook

import (
	"bytes"
	"cmp"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"text/template"
	"time"

	"dewline/alert"
	"dewline/alert/peer"
	"dewline/alert/words"
)

const (
	// SignatureHeader carries "sha256=" and the HMAC-SHA256 of the body in
	// hexadecimal, keyed with the hook's secret.
	SignatureHeader = "Dewline-Signature"

	maxAnswer = 64 << 10 // bytes read of an answer
	maxBody   = 256 << 10
	shown     = 200 // bytes of an answer that an error quotes

	saysWithin = 2 * time.Second // why it refuses; a slow explanation is not waited for
)

// Options are what a Hook works by.
type Options struct {
	ID        string
	URL       string
	Secret    []byte            // key of the HMAC-SHA256 signature; empty for none
	Template  string            // text/template over alert.Message; empty for CloudEvents
	MediaType string            // of a templated body; application/json
	Headers   map[string]string // a value with {{ is a text/template over alert.Message; an empty one is left out
	Secrets   map[string]string // headers that are sent as they are
	Room      string            // id, in the event's source
	ClockSet  func() bool       // whether the board's clock was set; nil for always
}

// A Hook posts notices to one address.
type Hook struct {
	address
	opt   Options
	tmpl  *template.Template
	heads map[string]*template.Template
}

// New returns a Hook, or an error for a URL or template that can never work.
func New(o Options) (*Hook, error) {
	a, err := addressOf(&o)
	if err != nil {
		return nil, fmt.Errorf("webhook %s: %w", o.ID, err)
	}
	h := &Hook{address: a, opt: o, heads: map[string]*template.Template{}}
	for name, text := range o.Headers {
		t, err := ParseTemplate(text)
		if err != nil && strings.Contains(text, "{{") {
			return nil, fmt.Errorf("webhook %s, header %s: %w", o.ID, name, err)
		}
		h.heads[name] = t
	}
	if o.Template == "" {
		h.opt.MediaType = "application/cloudevents+json; charset=utf-8"
		return h, nil
	}
	h.opt.MediaType = cmp.Or(o.MediaType, "application/json")
	if h.tmpl, err = ParseTemplate(o.Template); err != nil {
		return nil, fmt.Errorf("webhook %s: %w", o.ID, err)
	}
	return h, nil
}

// ParseTemplate parses a body template and tries it on a sample. Beside the
// built-in functions it has json, which quotes a value for JSON.
func ParseTemplate(text string) (*template.Template, error) {
	t, err := template.New("body").Option("missingkey=error").
		Funcs(template.FuncMap{"json": quote}).Parse(text)
	if err != nil {
		return nil, fmt.Errorf("template: %w", err)
	}
	sample := alert.Message{ID: "a/b/1", Subjects: []string{"e1"}, Alarms: []alert.AlarmRef{{}}}
	if _, err := execute(t, &sample); err != nil {
		return nil, fmt.Errorf("template: %w", err)
	}
	return t, nil
}

func quote(v any) (string, error) {
	b, err := json.Marshal(v)
	return string(b), err
}

// errTooLong stops a template that would never end.
var errTooLong = fmt.Errorf("body longer than %d bytes", maxBody)

// A limited writer refuses what goes beyond its size.
type limited struct {
	buf  bytes.Buffer
	left int
}

func (l *limited) Write(p []byte) (int, error) {
	if len(p) > l.left {
		return 0, errTooLong
	}
	l.left -= len(p)
	return l.buf.Write(p)
}

func execute(t *template.Template, m *alert.Message) ([]byte, error) {
	w := &limited{left: maxBody}
	if err := t.Execute(w, m); err != nil {
		return nil, err
	}
	return w.buf.Bytes(), nil
}

// event is a CloudEvents 1.0 event in JSON format. Receivers may drop what has
// the source and id of an earlier one (CloudEvents 1.0, "id"), so these are the
// same for a retry of one sending only: a reminder that nobody answered, and
// the same notice to another person, are events of their own.
type event struct {
	SpecVersion     string         `json:"specversion"`
	ID              string         `json:"id"`
	Source          string         `json:"source"`
	Type            string         `json:"type"`
	Subject         string         `json:"subject,omitempty"`
	Time            *time.Time     `json:"time,omitempty"`
	DataContentType string         `json:"datacontenttype"`
	Data            *alert.Message `json:"data"`
}

func (h *Hook) body(m *alert.Message) ([]byte, error) {
	if h.tmpl != nil {
		return execute(h.tmpl, m)
	}
	e := event{
		SpecVersion: "1.0", ID: fmt.Sprintf("%s/%d/%s/%d", m.ID, m.Version, m.To, max(m.Sent, 1)),
		Source: "/dewline/" + url.PathEscape(h.opt.Room), Type: "dewline.notice." + string(m.Kind),
		Subject: m.Cause, DataContentType: "application/json", Data: m,
	}
	if m.CauseID != "" {
		e.Subject += "/" + m.CauseID
	}
	if m.ClockSet { // a time known to be wrong is worse than none
		e.Time = &m.Time
	}
	return json.Marshal(e)
}

// Send posts one notice. It implements alert.Channel.
func (h *Hook) Send(ctx context.Context, d alert.Delivery) error {
	body, err := h.body(&d.Message)
	if err != nil {
		return alert.Permanent(fmt.Errorf("webhook %s, notice %s: %w", h.opt.ID, d.NoticeID, err))
	}
	head := headers(h.opt.MediaType)
	for name, t := range h.heads {
		value, err := execute(t, &d.Message)
		if err != nil {
			return alert.Permanent(fmt.Errorf("webhook %s, header %s: %w", h.opt.ID, name, err))
		}
		if v := strings.Join(strings.Fields(string(value)), " "); v != "" { // a header is one line
			head.Set(name, v)
		}
	}
	for name, v := range h.opt.Secrets {
		head.Set(name, v)
	}
	if len(h.opt.Secret) > 0 {
		head.Set(SignatureHeader, Sign(h.opt.Secret, body))
	}
	if err := h.post(ctx, head, body); err != nil {
		return fmt.Errorf("webhook %s, notice %s: %w", h.opt.ID, d.NoticeID, err)
	}
	return nil
}

// Reach asks the address's server for its root, which tells it nothing and
// sets nothing off; any answer will do.
func (h *Hook) Reach(ctx context.Context) error {
	root := url.URL{Scheme: h.to.Scheme, Host: h.to.Host, Path: "/"}
	req, err := http.NewRequestWithContext(ctx, http.MethodHead, root.String(), nil)
	if err != nil {
		return fmt.Errorf("webhook %s: %w", h.opt.ID, hideURL(err))
	}
	req.Header.Set("User-Agent", "dewline")
	resp, err := h.client.Do(req)
	if err != nil {
		return fmt.Errorf("webhook %s: %w", h.opt.ID, hideURL(err))
	}
	return resp.Body.Close()
}

// Sign returns the value of SignatureHeader for a body.
func Sign(secret, body []byte) string {
	mac := hmac.New(sha256.New, secret)
	mac.Write(body)
	return "sha256=" + hex.EncodeToString(mac.Sum(nil))
}

// headers are those that every message has.
func headers(mediaType string) http.Header {
	return http.Header{"Content-Type": {mediaType}, "User-Agent": {"dewline"}}
}

// post sends a message and sorts the answers: 2xx is taken over; 429 and 503
// may say when to come again; 408 and 5xx are tried again; anything else, a
// redirect too, is a refusal.
func (a *address) post(ctx context.Context, head http.Header, body []byte) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, a.url, bytes.NewReader(body))
	if err != nil {
		return alert.Permanent(hideURL(err))
	}
	req.Header = head
	resp, err := a.client.Do(req)
	if err != nil {
		return hideURL(err)
	}
	defer resp.Body.Close()
	if resp.StatusCode >= 200 && resp.StatusCode < 300 { // whatever it goes on to say, and for how long
		return nil
	}
	timer := time.AfterFunc(saysWithin, cancel)
	defer timer.Stop()
	text, _ := io.ReadAll(io.LimitReader(resp.Body, maxAnswer))
	err = fmt.Errorf("answered %s", a.hide.Replace(resp.Status))
	said := a.hide.Replace(string(text))
	if line := words.OneLine(strings.ToValidUTF8(said[:min(len(said), shown)], "")); line != "" {
		err = fmt.Errorf("answered %s: %s", a.hide.Replace(resp.Status), line)
	}
	switch code := resp.StatusCode; {
	case code == http.StatusTooManyRequests || code == http.StatusServiceUnavailable:
		return alert.After(retryAfter(resp.Header.Get("Retry-After"), time.Now()), err)
	case code >= 500 || code == http.StatusRequestTimeout:
		return err
	default:
		return alert.Permanent(err)
	}
}

// retryAfter reads seconds or an HTTP date (RFC 9110, 10.2.3); zero for
// neither.
func retryAfter(v string, now time.Time) time.Duration {
	if s, err := strconv.ParseInt(v, 10, 32); err == nil && s >= 0 {
		return time.Duration(s) * time.Second
	}
	if t, err := http.ParseTime(v); err == nil {
		return max(t.Sub(now), 0)
	}
	return 0
}

// An address is where messages are posted.
type address struct {
	url    string
	to     *url.URL
	client *http.Client
	hide   *strings.Replacer // of secrets, in what the server answers
}

func addressOf(o *Options) (address, error) {
	u, err := url.Parse(o.URL)
	if err != nil {
		return address{}, errors.New("url cannot be parsed") // it may hold a token: not quoted
	}
	if u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
		return address{}, errors.New("url must be http:// or https:// with a host")
	}
	return address{o.URL, u, strict(u.Hostname(), o.ClockSet), hider(o, u)}, nil
}

// strict is a client for one host with redirects turned off: a notice must not be
// carried to where nobody configured it. Each message has a connection of its own: one
// that died unnoticed would swallow the next.
func strict(host string, clockSet func() bool) *http.Client {
	c := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	t, ok := http.DefaultTransport.(*http.Transport)
	if !ok {
		return c
	}
	t = t.Clone()
	t.DisableKeepAlives = true
	if clockSet != nil {
		t.TLSClientConfig = &tls.Config{MinVersion: tls.VersionTLS12}
		peer.Check(t.TLSClientConfig, host, clockSet)
	}
	c.Transport = t
	return c
}

// shortestHidden is the fewest characters of what may be a secret; shorter words
// stand in many answers.
const shortestHidden = 6

// hider hides in an answer what servers like to repeat: the address's path, its
// parts and values, and the headers.
func hider(o *Options, u *url.URL) *strings.Replacer {
	all := []string{string(o.Secret), u.RequestURI(), u.Path, u.RawQuery}
	all = append(all, strings.Split(u.EscapedPath(), "/")...)
	all = append(all, strings.Split(u.Path, "/")...)
	for _, values := range u.Query() {
		for _, v := range values {
			all = append(all, v, url.QueryEscape(v))
		}
	}
	for _, headers := range []map[string]string{o.Headers, o.Secrets} {
		for _, v := range headers {
			all = append(all, v)
			all = append(all, strings.Fields(v)...)
		}
	}
	slices.SortFunc(all, func(a, b string) int { return cmp.Compare(len(b), len(a)) }) // the longest first
	var pairs []string
	for _, s := range all {
		if len(s) >= shortestHidden {
			pairs = append(pairs, s, "…")
		}
	}
	return strings.NewReplacer(pairs...)
}

// hideURL drops the address from an error: it may hold a token.
func hideURL(err error) error {
	if ue, ok := errors.AsType[*url.Error](err); ok {
		return fmt.Errorf("%s: %w", strings.ToLower(ue.Op), ue.Err)
	}
	return err
}

// A Beat posts a room's sign of life to an outside address, whose absence
// somebody outside can notice.
type Beat struct{ address }

// NewBeat returns a Beat for url; clockSet is as in Options.
func NewBeat(url string, clockSet func() bool) (*Beat, error) {
	a, err := addressOf(&Options{URL: url, ClockSet: clockSet})
	if err != nil {
		return nil, fmt.Errorf("outside heartbeat: %w", err)
	}
	return &Beat{a}, nil
}

// Post sends one heartbeat. One that fails is not made up for: the next one
// says more.
func (b *Beat) Post(ctx context.Context, h alert.Heartbeat) error {
	body, err := json.Marshal(h)
	if err == nil {
		err = b.post(ctx, headers("application/json"), body)
	}
	if err != nil {
		return fmt.Errorf("outside heartbeat: %w", err)
	}
	return nil
}
