package page

import (
	"context"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"dewline/alert"
)

var acknowledgeForm = map[string]string{"action": "acknowledge", "alarm": "lethal-ceiling", "subject": "a-2-1", "seq": "7", "priority": "wake", "back": "/alarms"}

func with(m map[string]string, pairs ...string) map[string]string {
	out := map[string]string{}
	for k, v := range m {
		out[k] = v
	}
	for i := 0; i+1 < len(pairs); i += 2 {
		out[pairs[i]] = pairs[i+1]
	}
	return out
}

func TestAcknowledgeFromThePage(t *testing.T) {
	r := newRig(t, 12)
	form := r.login("  Ada\tB. ")
	a := r.post("/act", with(acknowledgeForm, "form", form))
	if a.code != http.StatusOK || a.path != "/alarms?said=acknowledge" || !strings.Contains(a.body, "Acknowledged.") {
		t.Errorf("%d at %s", a.code, a.path)
	}
	want := alert.Command{Action: "acknowledge", Alarm: "lethal-ceiling", Subject: "a-2-1", Seq: 7, Priority: "wake", By: "Ada B."}
	if c := r.took(); !slices.Equal(c, []alert.Command{want}) {
		t.Errorf("commands %+v, want %+v", c, want)
	}
}

func TestShelveNeedsATimeAndAReason(t *testing.T) {
	r := newRig(t, 12)
	shelve := with(acknowledgeForm, "form", r.login("Ada"), "action", "shelve", "minutes", "15", "why", "new nozzle ordered")
	for _, c := range []struct {
		field, value string
		code         int
	}{
		{"", "", 200}, {"why", "  \x00 ", 422}, {"minutes", "", 422}, {"minutes", "0", 422}, {"minutes", "NaN", 422},
		{"minutes", "-15", 422}, {"minutes", "+Inf", 422}, {"minutes", "527041", 422}, {"seq", "-1", 422}, {"seq", "x", 422}, {"priority", "over", 422},
		{"action", "destroy", 422}, {"action", "", 422}, {"subject", "a\nb", 422}, {"subject", "", 422}, {"alarm", strings.Repeat("a", 201), 422}, {"notice", "n", 422}, {"version", "1", 422},
	} {
		before := len(r.took())
		a := r.post("/act", with(shelve, c.field, c.value))
		if a.code != c.code {
			t.Errorf("%s=%q: %d, want %d", c.field, c.value, a.code, c.code)
		}
		if through := len(r.took()) > before; through != (c.code == 200) {
			t.Errorf("%s=%q: came through: %v", c.field, c.value, through)
		}
	}
	if c := r.took()[0]; c.Minutes != 15 || c.Why != "new nozzle ordered" {
		t.Errorf("the command is %+v", c)
	}
}

func TestARefusalOfTheRulesIsSaid(t *testing.T) {
	r := newRig(t, 12)
	form := r.login("Ada")
	r.reply = alert.Reply{Error: "that onset of the alarm is over"}
	a := r.post("/act", with(acknowledgeForm, "form", form))
	if a.code != http.StatusConflict || !strings.Contains(a.body, "Nothing was done: that onset of the alarm is over.") {
		t.Errorf("%d %s", a.code, a.body)
	}
}

// Nothing is changed without a session, without the session's own form token,
// or by another site (the header that a browser adds cannot be forged by it).
func TestNothingIsChangedByStrangers(t *testing.T) {
	r := newRig(t, 12)
	paths := map[string]map[string]string{
		"/act": acknowledgeForm, "/enclosure/a-1-1/notes": {"text": "x"},
	}
	for path, fields := range paths {
		if a := r.post(path, fields); a.code != http.StatusUnauthorized {
			t.Errorf("%s without a session: %d", path, a.code)
		}
	}
	form := r.login("Ada")
	for path, fields := range paths {
		for _, wrong := range []string{"", "x", form + "x", strings.ToLower(form)} {
			if a := r.post(path, with(fields, "form", wrong)); a.code != http.StatusForbidden {
				t.Errorf("%s with the form token %q: %d", path, wrong, a.code)
			}
		}
		for name, value := range map[string]string{"Sec-Fetch-Site": "cross-site", "Origin": "https://evil.example"} {
			req, _ := http.NewRequest(http.MethodPost, r.server.URL+path, strings.NewReader("form="+form))
			req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			req.Header.Set(name, value)
			if a := r.do(req); a.code != http.StatusForbidden {
				t.Errorf("%s with %s: %s: %d", path, name, value, a.code)
			}
		}
	}
	if a := r.post("/logout", nil); a.code != http.StatusForbidden {
		t.Errorf("logged out by a form of somebody else: %d", a.code)
	}
	for _, path := range []string{"/act", "/logout", "/enclosure/a-1-1/notes"} {
		if a := r.get(path + "?form=" + form + "&action=acknowledge&alarm=lethal-ceiling&subject=a-2-1"); a.code != http.StatusNotFound && a.code != http.StatusMethodNotAllowed {
			t.Errorf("GET %s: %d", path, a.code)
		}
	}
	if c := r.took(); len(c) != 0 {
		t.Errorf("commands came through: %+v", c)
	}
	if len(r.notes) != 0 {
		t.Errorf("notes came through: %+v", r.notes)
	}
}

// The attributes are those that OWASP ASVS 4.0.3, 3.4, asks for (from memory).
func TestCookie(t *testing.T) {
	r := newRig(t, 12)
	h := New(r.options())
	for _, secure := range []bool{false, true} {
		target := "http://room.example/login"
		if secure {
			target = "https://room.example/login"
		}
		req := httptest.NewRequest(http.MethodPost, target, strings.NewReader("by=Ada&token="+token))
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, req)
		cs := w.Result().Cookies()
		if len(cs) != 1 {
			t.Fatalf("%d cookies", len(cs))
		}
		c := cs[0]
		if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Secure != secure || c.Path != "/" || c.Domain != "" ||
			strings.HasPrefix(c.Name, "__Host-") != secure || c.MaxAge <= 0 || c.MaxAge > 31*24*3600 {
			t.Errorf("TLS %v: %s", secure, c)
		}
		if len(c.Value) < 26 || strings.Contains(c.Value, token) { // 128 bits in base32
			t.Errorf("the session id is %q", c.Value)
		}
	}
}

func TestLogoutEndsTheSessionOnTheServer(t *testing.T) {
	r := newRig(t, 12)
	form := r.login("Ada")
	u, _ := url.Parse(r.server.URL)
	kept := r.client.Jar.Cookies(u)
	if a := r.post("/logout", map[string]string{"form": form}); a.code != http.StatusOK {
		t.Fatalf("logout: %d", a.code)
	}
	r.client.Jar.SetCookies(u, kept)
	if a := r.post("/act", with(acknowledgeForm, "form", form)); a.code != http.StatusUnauthorized {
		t.Errorf("the cookie still opens after the logout: %d", a.code)
	}
}

func TestSessionsExpireAndAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newSessions()
		req := func(id string) *http.Request {
			r := httptest.NewRequest(http.MethodGet, "/", nil)
			r.AddCookie(&http.Cookie{Name: cookiePlain, Value: id})
			return r
		}
		first := s.begin("Ada", "a", true, time.Now())
		if who := s.of(req(first)); who == nil || who.by != "Ada" {
			t.Fatal("a fresh session is not known")
		}
		time.Sleep(sessionFor - time.Second)
		if s.of(req(first)) == nil {
			t.Error("ended too early")
		}
		time.Sleep(time.Second)
		if s.of(req(first)) != nil {
			t.Error("still open after its end")
		}
		oldest := s.begin("Ada", "a", true, time.Now())
		for range maxSessions {
			time.Sleep(time.Second)
			s.begin("Ben", "a", true, time.Now())
		}
		other := s.begin("Cy", "c", false, time.Now())
		for range maxSessions + 1 {
			s.begin("Ben", "a", true, time.Now())
		}
		if s.of(req(other)) == nil {
			t.Error("the sessions of one token pushed out that of another")
		}
		if len(s.byID) != maxSessions+1 || s.of(req(oldest)) != nil {
			t.Errorf("%d sessions; the oldest is known: %v", len(s.byID), s.of(req(oldest)) != nil)
		}
	})
}

func TestLoginIsLimited(t *testing.T) {
	r := newRig(t, 12)
	wrong := map[string]string{"token": "guess", "by": "Eve"}
	for i := range limitOne {
		if a := r.post("/login", wrong); a.code != http.StatusForbidden {
			t.Fatalf("try %d: %d", i, a.code)
		}
	}
	a := r.post("/login", map[string]string{"token": token, "by": "Eve"})
	if a.code != http.StatusTooManyRequests || a.head.Get("Retry-After") == "" {
		t.Errorf("the right token after %d wrong ones: %d, want a wait", limitOne, a.code)
	}
	for range 3 * limitOne {
		r.get("/answer/x?t=guess")
	}
	if a := r.get("/answer/x?t=key-of-x"); a.code != http.StatusOK {
		t.Errorf("strangers shut out who has a link: %d", a.code)
	}
	r.refused = slices.DeleteFunc(r.refused, func(s string) bool { return strings.HasPrefix(s, "link") })
	if len(r.refused) != limitOne || r.refused[0] != "login 127.0.0.1" {
		t.Errorf("told on: %q", r.refused)
	}
}

// A token with a name logs its owner in, under that name and within its right,
// also from where strangers guess; without its line the session is over.
func TestLogin_NamedToken(t *testing.T) {
	r := newRig(t, 12)
	given, line := NewToken("sam", "answer")
	r.list = line
	for range 3 * limitOne {
		r.post("/login", map[string]string{"token": "guess", "by": "Eve"})
	}
	if a := r.post("/login", map[string]string{"token": given, "by": "Ada", "next": "/alarms"}); a.code != http.StatusOK {
		t.Fatalf("login: %d", a.code)
	}
	form := formToken.FindStringSubmatch(r.get("/alarms").body)[1]
	if a := r.post("/act", with(acknowledgeForm, "form", form)); a.code != http.StatusOK {
		t.Errorf("an answer: %d", a.code)
	}
	if got := r.took(); len(got) != 1 || got[0].By != "sam" {
		t.Errorf("done: %+v, want one by sam", got)
	}
	if a := r.post("/act", with(with(acknowledgeForm, "form", form), "action", "unshelve")); a.code != http.StatusForbidden || !strings.Contains(a.body, "may only answer") {
		t.Errorf("a change: %d", a.code)
	}
	if a := r.post("/enclosure/a-1-1/notes", map[string]string{"form": form, "text": "fed"}); a.code != http.StatusForbidden {
		t.Errorf("a note: %d", a.code)
	}
	r.mu.Lock()
	r.list = ""
	r.mu.Unlock()
	if a := r.post("/act", with(acknowledgeForm, "form", form)); a.code != http.StatusUnauthorized {
		t.Errorf("with a token that was taken out: %d", a.code)
	}
}

func TestLimiter(t *testing.T) {
	l, at := NewLimiter(), time.Unix(0, 0)
	for range limitOne {
		l.Failed("[2001:db8:1:2::5]:99", at)
	}
	for addr, barred := range map[string]bool{
		"[2001:db8:1:2::5]:1": true, "[2001:db8:1:2:ffff::1]:1": true, "[2001:db8:1:3::5]:1": false, "198.51.100.7:5": false,
		"nonsense": false, "": false,
	} {
		if got := l.Wait(addr, at) > 0; got != barred {
			t.Errorf("%q barred: %v, want %v", addr, got, barred)
		}
	}
	if w := l.Wait("[2001:db8:1:2::5]:1", at.Add(limitSpan)); w != 0 {
		t.Errorf("still barred after the span: %s", w)
	}
	for i := range 3 * maxTracked {
		l.Failed("[2001:db8:"+string("0123456789abcdef"[i%16])+":"+string("0123456789abcdef"[i/16%16])+string("0123456789abcdef"[i/256%16])+"::1]:1", at)
	}
	if len(l.by) > maxTracked {
		t.Errorf("%d addresses are kept", len(l.by))
	}
	if l.Wait("198.51.100.7:5", at) != 0 {
		t.Error("strangers lock out everybody")
	}
}

func TestNoTokenMeansNoLogin(t *testing.T) {
	r := newRig(t, 12)
	o := r.options()
	o.Tokens = Tokens{}
	h := New(o)
	req := httptest.NewRequest(http.MethodPost, "/login", strings.NewReader("by=Ada&token="))
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, req)
	if w.Code != http.StatusForbidden || len(w.Result().Cookies()) != 0 {
		t.Errorf("an empty token is taken: %d", w.Code)
	}
	w = httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/login", nil))
	if !strings.Contains(w.Body.String(), "token_file") {
		t.Error("the page does not say what to do")
	}
}

const noticeID = "lethal-ceiling/a-2-1/7"

// Programs fetch the links in messages before people do (RFC 8058, section 1,
// says why a GET must not act).
func TestAnswerLink(t *testing.T) {
	r := newRig(t, 12)
	r.mayRead = false
	link := "/answer/" + noticeID
	a := r.get(link + "?t=key-of-" + noticeID)
	if a.code != http.StatusOK || !strings.Contains(a.body, "Low Stone: lethal heat") || !strings.Contains(a.body, "<button>Acknowledge") {
		t.Fatalf("%d %s", a.code, a.body)
	}
	if len(r.took()) != 0 {
		t.Fatal("looking at a link acknowledges it")
	}
	a = r.post(link, map[string]string{"t": "key-of-" + noticeID, "by": "Ada"})
	if a.code != http.StatusOK || !strings.Contains(a.body, "Acknowledged. Thank you.") {
		t.Errorf("%d %s", a.code, a.body)
	}
	want := alert.Command{Action: "acknowledge", Notice: noticeID, Version: 2, By: "Ada", Why: "by the link of the notice"}
	if c := r.took(); !slices.Equal(c, []alert.Command{want}) {
		t.Errorf("commands %+v", c)
	}
	for _, path := range []string{link, link + "?t=", link + "?t=x", link + "?t=key-of-other", "/answer/other?t=key-of-" + noticeID} {
		if a := r.get(path); a.code != http.StatusForbidden || strings.Contains(a.body, "Low Stone") {
			t.Errorf("%s: %d, shows the notice: %v", path, a.code, strings.Contains(a.body, "Low Stone"))
		}
	}
	if a := r.post(link, map[string]string{"by": "Eve"}); a.code != http.StatusForbidden {
		t.Errorf("without a token: %d", a.code)
	}
	if len(r.took()) != 1 || len(r.refused) != 6 {
		t.Errorf("%d commands, refused %q", len(r.took()), r.refused)
	}
}

func TestAnswerLinkOfWhatIsOver(t *testing.T) {
	r := newRig(t, 12)
	for id, want := range map[string]string{
		"mist-missing/a-9-9/3": "nothing left to acknowledge", "drill/keeper/4": "nothing left to acknowledge",
		"drill/keeper/5": "<button>Acknowledge", noticeID: "<button>Acknowledge",
	} {
		if a := r.get("/answer/" + id + "?t=key-of-" + id); a.code != http.StatusOK || !strings.Contains(a.body, want) {
			t.Errorf("%s: %d, without %q", id, a.code, want)
		}
	}
	r.reply = alert.Reply{Error: "no such notice"}
	if a := r.post("/answer/"+noticeID, map[string]string{"t": "key-of-" + noticeID, "by": "Ada"}); a.code != http.StatusConflict {
		t.Errorf("a refused answer: %d", a.code)
	}
}

func TestNotes(t *testing.T) {
	r := newRig(t, 12)
	form := r.login("Ada")
	a := r.post("/enclosure/a-1-1/notes", map[string]string{"form": form, "text": " fed,\r\n  \x1b[31mcounted 3\u202e "})
	if a.code != http.StatusOK || !strings.Contains(a.body, "Saved.") || !strings.Contains(a.body, "fed, [31mcounted 3") {
		t.Errorf("%d at %s", a.code, a.path)
	}
	if n := r.notes[0]; n.Text != "fed, [31mcounted 3" || n.By != "Ada" || n.Enclosure != "a-1-1" {
		t.Errorf("the note is %+v", n)
	}
	if a := r.post("/enclosure/none/notes", map[string]string{"form": form, "text": "x"}); a.code != http.StatusNotFound {
		t.Errorf("a note on nothing: %d", a.code)
	}
	if a := r.post("/enclosure/a-1-1/notes", map[string]string{"form": form, "text": " "}); a.code != http.StatusConflict {
		t.Errorf("an empty note: %d", a.code)
	}
	if a := r.post("/enclosure/a-1-1/notes", map[string]string{"form": form, "text": strings.Repeat("x", 2*maxForm)}); a.code != http.StatusBadRequest {
		t.Errorf("an endless note: %d", a.code)
	}
}

// FuzzForms posts arbitrary fields to everything that changes something: the
// page must answer, and whatever comes through is clean.
func FuzzForms(f *testing.F) {
	f.Add("acknowledge", "lethal-ceiling", "a-2-1", "7", "15", "why", "/alarms", "lethal-ceiling/a-2-1/7")
	f.Add("shelve", "mist-missing", "a-1-2", "", "1e9", "\x00\u202e", "//evil", "")
	f.Add("out-of-service", "", "a-1-1", "18446744073709551616", "NaN", strings.Repeat("é", 300), "/\\x", "a\nb")
	r := newRig(f, 12)
	o := r.options()
	var last []alert.Command
	snap := r.snap
	o.Snapshot = func() *alert.Snapshot { next := *snap; return &next }
	o.Command = func(_ context.Context, c alert.Command) alert.Reply {
		last = append(last, c)
		return alert.Reply{OK: true}
	}
	s := newSite(o)
	id := s.sessions.begin("Ada", token, true, time.Now())
	form := s.sessions.of(withCookie(httptest.NewRequest(http.MethodGet, "/", nil), id)).form
	h := s.handler()
	f.Fuzz(func(t *testing.T, action, alarm, subject, seq, minutes, why, back, notice string) {
		v := url.Values{"action": {action}, "alarm": {alarm}, "subject": {subject}, "seq": {seq}, "minutes": {minutes}, "why": {why},
			"back": {back}, "notice": {notice}, "form": {form}, "text": {why}, "by": {why}, "next": {back}, "token": {subject}, "t": {notice}}
		for _, path := range []string{"/act", "/enclosure/a-1-1/notes", "/answer/x", "/login"} {
			last = nil
			req := withCookie(httptest.NewRequest(http.MethodPost, path, strings.NewReader(v.Encode())), id)
			req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			w := httptest.NewRecorder()
			h.ServeHTTP(w, req)
			if w.Code >= 500 {
				t.Fatalf("%s: %d", path, w.Code)
			}
			if to := w.Header().Get("Location"); to != "" && (!strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n")) {
				t.Fatalf("%s leads to %q", path, to)
			}
			for _, c := range last {
				clean(t, c)
			}
		}
	})
}

// clean checks a command that came through.
func clean(t *testing.T, c alert.Command) {
	t.Helper()
	for _, text := range []string{c.By, c.Why} {
		if text != strings.TrimSpace(text) || strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r == 0x7f }) {
			t.Fatalf("not clean: %q", text)
		}
	}
	if len(c.Why) > maxWhy || c.By == "" || len(c.By) > maxName || c.Check() != nil {
		t.Fatalf("not an answer to anything: %+v", c)
	}
}

func withCookie(r *http.Request, id string) *http.Request {
	r.AddCookie(&http.Cookie{Name: cookiePlain, Value: id})
	return r
}
