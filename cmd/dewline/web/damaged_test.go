package web

import (
	"context"
	"encoding/json"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"dewline/sensors"
	"dewline/store"
)

// A room of which only the record is there.
type recorded struct {
	Room
	st *store.Store
}

func (r recorded) Store() *store.Store { return r.st }

func (recorded) Now() sensors.Instant { return sensors.Instant{} }

// One damaged document hides itself and nothing beside it: not the notes, not
// the drills, whose neighbours are answered.
func TestOneDamagedDocumentHidesNoOther(t *testing.T) {
	st, _, err := store.Open(t.Context(), store.Options{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = st.Close(context.WithoutCancel(t.Context())) }()
	doc := func(b store.Bucket, key, value string) store.Doc {
		return store.Doc{Bucket: b, Key: key, Value: json.RawMessage(value)}
	}
	at := `"at":{"mono":1,"wall":"2026-05-01T12:00:00Z"}`
	if err := st.Commit(store.Commit{Docs: []store.Doc{
		doc(store.BucketNotes, "moss/1", `{`+at+`,"enclosure":"moss","by":"una","text":"fed"}`),
		doc(store.BucketNotes, "moss/2", `{`+at+`,"enclosure":5`),
		doc(store.BucketNotes, "moss/3", `{`+at+`,"enclosure":"moss","by":"una","text":"cleaned"}`),
		doc(store.BucketDrills, "1", `nonsense`),
		doc(store.BucketDrills, "2", `{`+at+`,"id":"drill/una/1"}`),
	}}); err != nil {
		t.Fatal(err)
	}
	s := New(Options{Room: recorded{st: st}, Log: slog.New(slog.DiscardHandler)})
	from := time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)
	if notes, err := notesOf(st, "moss", from, from.AddDate(0, 0, 1)); len(notes) != 2 || err == nil {
		t.Errorf("%d notes beside a damaged one, with %v; want two and the fault", len(notes), err)
	}
	for path, serve := range map[string]http.HandlerFunc{"notes": s.serveNotes, "drills": s.serveDrills} {
		w := httptest.NewRecorder()
		serve(w, httptest.NewRequestWithContext(t.Context(), "GET", "/?from=2026-05-01T00:00:00Z&to=2026-05-02T00:00:00Z", nil))
		if body := w.Body.String(); w.Code != http.StatusOK || !strings.Contains(body, "fed") && !strings.Contains(body, "drill/una/1") {
			t.Errorf("%s: %d %s", path, w.Code, body)
		}
	}
}
