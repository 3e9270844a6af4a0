package page_test

import (
	"context"
	"strings"
	"syscall"
	"testing"
	"time"
)

// noContact stops the daemon and kills it under a page in which a keeper writes: the
// page says so in time, without a word of what was written being lost, and takes it
// back when the daemon goes on.
func noContact(t *testing.T, b *browser, d demo) {
	tb := writing(t, b, d)
	must(t, d.process.Signal(syscall.SIGSTOP))
	goOn := func() { _ = d.process.Signal(syscall.SIGCONT) }
	defer goOn() // or it could not end
	typed := tb.loses(t, "fed ")
	goOn()
	tb.until("the page is in contact again", func() bool { return tb.lost() == "" })
	if tb.eval(`document.documentElement.classList.contains("old")`) != "false" {
		t.Error("the values stay marked as old")
	}
	*d.killed = true
	must(t, d.process.Kill())
	tb.loses(t, typed)
}

// writing opens an enclosure's page, logged in, with a note begun.
func writing(t *testing.T, b *browser, d demo) *tab {
	t.Helper()
	tb := b.open(t, looks[0])
	tb.goTo(d.page + "/login")
	tb.eval(`document.querySelector("[name=token]").value = "` + d.token + `"`)
	tb.eval(`document.querySelector("[name=by]").value = "Ada"`)
	tb.after(func() { tb.eval(`document.querySelector("main form button").click()`) })
	tb.goTo(d.page + "/enclosure/a-1-1")
	tb.eval(`document.querySelector("form.note [name=text]").focus()`)
	tb.types("fed ")
	return tb
}

func (tb *tab) types(text string) {
	tb.t.Helper()
	tb.do("Input.insertText", map[string]any{"text": text}, nil)
}

// lost returns what the page says about its contact.
func (tb *tab) lost() string {
	tb.t.Helper()
	return tb.eval(`(e => e.hidden || !e.offsetHeight ? "" : e.innerText)(document.getElementById("lost"))`)
}

// loses goes on writing until the page says that there is no contact, and returns what
// is written then.
func (tb *tab) loses(t *testing.T, typed string) string {
	t.Helper()
	tb.until("the page says that there is no contact", func() bool {
		tb.types("x")
		typed += "x"
		return strings.HasPrefix(tb.lost(), "No contact since ")
	})
	if tb.eval(`document.documentElement.classList.contains("old")`) != "true" {
		t.Error("the values are not marked as old")
	}
	if got := tb.eval(`document.activeElement.name + ": " + document.activeElement.value`); got != "text: "+typed {
		t.Errorf("what was written is %q, want %q", got, typed)
	}
	return typed
}

// until waits for what another process is to do.
func (tb *tab) until(what string, cond func() bool) {
	tb.t.Helper()
	ctx, cancel := context.WithTimeout(tb.t.Context(), patience)
	defer cancel()
	look := time.NewTicker(500 * time.Millisecond)
	defer look.Stop()
	for !cond() {
		select {
		case <-ctx.Done():
			tb.t.Fatalf("not within %s: %s; the page is\n%s", patience, what, tb.eval("document.body.innerText"))
		case <-look.C:
		}
	}
}
