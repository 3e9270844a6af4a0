package web

import (
	"context"
	"net/http"

	"dewline/alert"
	"dewline/alert/page"
	"dewline/alert/wire"
	"dewline/rules"
)

// A Sentinel is what can be asked of one that watches rooms.
type Sentinel interface {
	// Look returns what it has open, in the form of a room's.
	Look(ctx context.Context) (*alert.Snapshot, error)
	Command(ctx context.Context, c alert.Command) alert.Reply
	Drill(ctx context.Context, person, by string) (id string, err error)
}

// SentinelControl serves the control socket of a sentinel: dewline alarm and
// drill work with it as with a room.
func SentinelControl(s Sentinel) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /api/v1/room", func(w http.ResponseWriter, r *http.Request) {
		snap, err := s.Look(r.Context())
		if err != nil {
			writeError(w, http.StatusServiceUnavailable, err)
			return
		}
		writeJSON(w, http.StatusOK, wire.RoomOf(snap))
	})
	mux.HandleFunc("POST /api/v1/command", postCommand(s.Command))
	mux.HandleFunc("POST /api/v1/drill", postDrill(s.Drill))
	return mux
}

func postCommand(do func(context.Context, alert.Command) alert.Reply) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		var c alert.Command
		if err := decodeBody(r, &c); err != nil {
			writeError(w, http.StatusBadRequest, err)
			return
		}
		grant := allowed(r)
		if c.Action != string(rules.Acknowledge) && grant.Right < page.Change {
			writeError(w, http.StatusForbidden, errMayNot)
			return
		}
		if grant.Name != "" {
			c.By = grant.Name
		}
		reply := do(r.Context(), c)
		code := http.StatusOK
		if !reply.OK {
			code = http.StatusConflict
		}
		writeJSON(w, code, reply)
	}
}

func postDrill(do func(ctx context.Context, person, by string) (string, error)) http.HandlerFunc {
	return posted(func(ctx context.Context, r struct{ Person, By string }) (any, error) {
		id, err := do(ctx, r.Person, r.By)
		return wire.Reply{ID: id, OK: true}, err
	})
}
