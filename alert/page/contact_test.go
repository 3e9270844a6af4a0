package page_test

import (
	"context"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestNoContact kills the daemon and stops it under a page in which a keeper
// writes: the page says so in time, without a word of what was written being
// lost, and takes it back when the daemon goes on.
func TestNoContact(t *testing.T) {
	if testing.Short() {
		t.Skip("starts the demo and a browser")
	}
	b, bin := startBrowser(t), buildDewline(t)
	t.Run("killed", func(t *testing.T) {
		d := startDemo(t, bin, 60)
		tb := writing(t, b, d)
		*d.killed = true
		must(t, d.process.Kill())
		tb.loses(t)
	})
	t.Run("stopped", func(t *testing.T) {
		d := startDemo(t, bin, 60)
		tb := writing(t, b, d)
		must(t, d.process.Signal(syscall.SIGSTOP))
		defer func() { _ = d.process.Signal(syscall.SIGCONT) }() // or it could not end
		tb.loses(t)
		must(t, d.process.Signal(syscall.SIGCONT))
		tb.until("the page is in contact again", func() bool { return tb.lost() == "" })
		if tb.eval(`document.documentElement.classList.contains("old")`) != "false" {
			t.Error("the values stay marked as old")
		}
	})
}

// writing opens an enclosure's page, logged in, with a note begun.
func writing(t *testing.T, b *browser, d demo) *tab {
	t.Helper()
	tb := b.open(t, looks[0])
	tb.goTo(d.page + "/login")
	tb.eval(`document.querySelector("[name=token]").value = "` + d.token + `"`)
	tb.eval(`document.querySelector("[name=by]").value = "Ada"`)
	tb.after(func() { tb.eval(`document.querySelector("main form button").click()`) })
	tb.until("the demo has begun", func() bool {
		tb.goTo(d.page + "/enclosure/a-1-1")
		return tb.eval(`!!document.querySelector("form.note")`) == "true"
	})
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

// loses goes on writing until the page says that there is no contact.
func (tb *tab) loses(t *testing.T) {
	t.Helper()
	typed := "fed "
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
}

// until waits for what another process is to do.
func (tb *tab) until(what string, cond func() bool) {
	tb.t.Helper()
	ctx, cancel := context.WithTimeout(tb.t.Context(), patience)
	defer cancel()
	look := time.NewTicker(200 * time.Millisecond)
	defer look.Stop()
	for !cond() {
		select {
		case <-ctx.Done():
			tb.t.Fatalf("not within %s: %s; the page is\n%s", patience, what, tb.eval("document.body.innerText"))
		case <-look.C:
		}
	}
}
