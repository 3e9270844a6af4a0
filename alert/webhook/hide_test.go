package webhook

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

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
	beat, err := NewBeat(srv.URL + "/s3cr3t-path")
	if err != nil {
		t.Fatal(err)
	}
	if err := beat.Post(t.Context(), alert.Heartbeat{}); err == nil || strings.Contains(err.Error(), "s3cr3t") {
		t.Errorf("told: %v", err)
	}
}
