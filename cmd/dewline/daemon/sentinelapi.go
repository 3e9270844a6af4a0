package daemon

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"sync"
	"time"

	"dewline/alert"
	"dewline/alert/wire"
	"dewline/cmd/dewline/core"
	"dewline/rules"
	"dewline/sensors"
)

// Command carries out what a person asks of the sentinel: its notices can be
// acknowledged, and nothing else of it can be changed.
func (s *Sentry) Command(ctx context.Context, c alert.Command) alert.Reply {
	err := checkCommand(c)
	if err == nil && (c.Action != string(rules.Acknowledge) || c.Notice == "") {
		err = errors.New("a sentinel's notices can be acknowledged by their id; ask the room itself for anything else")
	}
	if err == nil {
		err = s.call(ctx, func(now sensors.Instant) error {
			_, fx, err := s.desk.Acknowledge(now, c.Notice, c.Version, c.By)
			s.apply(fx)
			return err
		})
	}
	if err != nil {
		s.log.Warn("refused", "action", c.Action, "notice", core.Short(c.Notice), "by", core.Short(c.By), "why", err)
		return alert.Reply{ID: c.ID, Error: err.Error()}
	}
	s.log.Info("acknowledged", "notice", c.Notice, "by", c.By, "why", c.Why)
	return alert.Reply{ID: c.ID, OK: true}
}

// call runs f on the loop and waits for its answer.
func (s *Sentry) call(ctx context.Context, f func(now sensors.Instant) error) error {
	answer := make(chan error, 1)
	s.post(ctx, func(now sensors.Instant) { answer <- f(now) })
	select {
	case err := <-answer:
		return err
	case <-ctx.Done():
		return fmt.Errorf("the sentinel is stopping: %w", context.Cause(ctx))
	}
}

// serveControl serves the control socket: dewline alarm and drill work
// with a sentinel as with a room.
func (s *Sentry) serveControl(done *sync.WaitGroup) (stop func()) {
	ln, err := listenControl(s.o.ControlPath)
	if err != nil {
		s.log.Error("the control socket cannot be opened; dewline alarm and its like will not work", "path", s.o.ControlPath, "err", err)
	}
	if ln == nil {
		return func() {}
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /api/v1/room", s.serveRoom)
	mux.HandleFunc("POST /api/v1/command", s.serveCommand)
	mux.HandleFunc("POST /api/v1/drill", s.serveDrill)
	server := newServer(mux, s.log)
	done.Go(func() {
		if err := server.Serve(ln); !errors.Is(err, http.ErrServerClosed) {
			s.log.Error("the control socket ended; watching goes on", "err", err)
		}
	})
	return func() {
		ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
		defer cancel()
		if server.Shutdown(ctx) != nil {
			_ = server.Close()
		}
	}
}

// serveRoom answers what the sentinel has open, in the form of a room's.
func (s *Sentry) serveRoom(w http.ResponseWriter, r *http.Request) {
	snap := alert.Snapshot{Room: s.id, RoomName: s.cfg.Room.Name, Version: s.o.Version, Started: s.started}
	err := s.call(r.Context(), func(now sensors.Instant) error {
		snap.At, snap.Cycle = now, s.ticks
		snap.Notices, snap.Delivery, snap.Stalled = s.desk.Open(), s.desk.Stats(now), s.desk.StalledChannels(now)
		if d, ok := s.desk.LastDrill(); ok {
			snap.Drill = &d
		}
		return nil
	})
	if err != nil {
		writeError(w, http.StatusServiceUnavailable, err)
		return
	}
	writeJSON(w, http.StatusOK, wire.RoomOf(&snap))
}

func (s *Sentry) serveCommand(w http.ResponseWriter, r *http.Request) {
	var c alert.Command
	if err := decodeBody(r, &c); err != nil {
		writeError(w, http.StatusBadRequest, err)
		return
	}
	reply := s.Command(r.Context(), c)
	code := http.StatusOK
	if !reply.OK {
		code = http.StatusConflict
	}
	writeJSON(w, code, reply)
}

func (s *Sentry) serveDrill(w http.ResponseWriter, r *http.Request) {
	var req struct{ Person, By string }
	if err := decodeBody(r, &req); err != nil {
		writeError(w, http.StatusBadRequest, err)
		return
	}
	var id string
	err := s.call(r.Context(), func(now sensors.Instant) (err error) {
		var fx alert.Effects
		id, fx, err = s.desk.NewDrill(now, req.Person)
		s.apply(fx)
		return err
	})
	if err != nil {
		writeError(w, http.StatusConflict, err)
		return
	}
	writeJSON(w, http.StatusOK, wire.Reply{ID: id, OK: true})
}
