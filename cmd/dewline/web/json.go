package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"

	"dewline/alert/wire"
)

func writeJSON(w http.ResponseWriter, code int, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		http.Error(w, "cannot encode the answer: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	_, _ = w.Write(append(b, '\n'))
}

// writeError answers in one JSON form: {"error": "…"}.
func writeError(w http.ResponseWriter, code int, err error) {
	writeJSON(w, code, wire.Reply{Error: err.Error()})
}

// decodeBody reads a JSON body strictly into v.
func decodeBody(r *http.Request, v any) error {
	dec := json.NewDecoder(r.Body)
	dec.DisallowUnknownFields()
	if err := dec.Decode(v); err != nil {
		return fmt.Errorf("the body is not what is expected here: %w", err)
	}
	if dec.More() {
		return errors.New("the body holds more than one JSON value")
	}
	return nil
}
