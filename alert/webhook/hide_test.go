package webhook

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"dewline/alert"
)

// A server that repeats what it was sent puts no secret into what is told of it.
func TestHook_HidesWhatTheServerRepeats(t *testing.T) {
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.WriteHeader(http.StatusForbidden)
		_, _ = io.WriteString(w, "no way to "+r.RequestURI+" with "+r.Header.Get("Authorization")+" nor "+r.URL.Query().Get("key")+" at "+r.URL.Path)
	}))
	defer srv.Close()
	h, err := New(Options{ID: "push", URL: srv.URL + "/s3cr3t%20one?key=s3cr3t%2Ftwo", Headers: map[string]string{"Authorization": "Bearer s3cr3t-three"}})
	if err != nil {
		t.Fatal(err)
	}
	err = h.Send(t.Context(), alert.Delivery{NoticeID: "n/1"})
	if err == nil || strings.Contains(err.Error(), "s3cr3t") || !strings.Contains(err.Error(), "403") {
		t.Errorf("told: %v", err)
	}
	beat, err := NewBeat(srv.URL+"/s3cr3t-path", nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := beat.Post(t.Context(), alert.Heartbeat{}); err == nil || strings.Contains(err.Error(), "s3cr3t") {
		t.Errorf("told: %v", err)
	}
}

// A refusal counts as one although the server never ends saying why.
func TestHook_SlowExplanation(t *testing.T) {
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body) // else the server does not see its client go
		w.WriteHeader(http.StatusNotFound)
		_, _ = io.WriteString(w, "no such")
		_ = http.NewResponseController(w).Flush()
		<-r.Context().Done()
	}))
	defer srv.Close()
	h, err := New(Options{ID: "push", URL: srv.URL})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	err = h.Send(ctx, alert.Delivery{NoticeID: "n/1"})
	if class, _ := alert.ClassOf(err); class != alert.Refused || !strings.Contains(err.Error(), "no such") || ctx.Err() != nil {
		t.Errorf("%v, %v", err, ctx.Err())
	}
}
