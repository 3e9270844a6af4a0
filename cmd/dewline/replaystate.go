package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"dewline/rules"
	"dewline/rules/room"
)

// A replayState is what the daemon would find after a restart.
type replayState struct {
	State   *rules.State  `json:"state"`
	Records []room.Record `json:"records"`
}

// resume is the running time at which the next part begins: time off does not run.
func (s *replayState) resume(poll time.Duration) time.Duration {
	if s == nil {
		return 0
	}
	return s.State.Now.Mono + poll
}

// readReplayState returns what the file holds, nil where there is none yet.
func readReplayState(file string) (*replayState, error) {
	b, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the state: %w", err)
	}
	var s replayState
	if err := json.Unmarshal(b, &s); err != nil {
		return nil, fmt.Errorf("read the state in %s: %w", file, err)
	}
	if s.State == nil || s.State.Version != rules.StateVersion {
		return nil, fmt.Errorf("%s holds no state that this version of dewline wrote; remove it to begin anew", file)
	}
	return &s, nil
}

func writeReplayState(file string, e *rules.Engine) error {
	b, err := json.Marshal(replayState{State: e.State(), Records: e.Records()})
	if err != nil {
		return fmt.Errorf("encode the state: %w", err)
	}
	if err := os.WriteFile(file, append(b, '\n'), 0o600); err != nil {
		return fmt.Errorf("write the state: %w", err)
	}
	return nil
}
