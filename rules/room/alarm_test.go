package room

import (
	"encoding/json"
	"testing"
	"time"

	"dewline/rules/alarm"
)

// Who copied a record keeps what it said: the engine goes on with its own.
func TestRecord_CopyKeepsWhatWasSaid(t *testing.T) {
	r := Record{Detail: &alarm.Detail{Value: 27}}
	r.Stats.Returned(Return{After: time.Minute})
	copied := r
	r.Because([]alarm.Fact{{ID: alarm.FactOwn, Delta: 2}})
	for i := range 20 {
		r.Stats.Returned(Return{After: time.Duration(i) * time.Hour})
	}
	if d := copied.Told(); len(d.Evidence) != 0 || d.Value != 27 {
		t.Errorf("the copy says %+v", d)
	}
	if d := r.Told(); len(d.Evidence) != 1 || d.Value != 27 {
		t.Errorf("the record says %+v", d)
	}
	if len(copied.Stats.Returns) != 1 || copied.Stats.Returns[0].After != time.Minute {
		t.Errorf("the copy's returns are %v", copied.Stats.Returns)
	}
	if n := len(r.Stats.Returns); n != mostReturns || r.Stats.Returns[0].After != 19*time.Hour {
		t.Errorf("%d returns, the newest %v", n, r.Stats.Returns[0])
	}
}

// A record of before has sixteen returns, most of them empty.
func TestStats_ReturnsOfBefore(t *testing.T) {
	var st Stats
	old := `{"quick":2,"returns":[{"after":60},{"after":120},{},{},{},{},{},{},{},{},{},{},{},{},{},{}]}`
	if err := json.Unmarshal([]byte(old), &st); err != nil {
		t.Fatal(err)
	}
	if got := st.Latest(); len(got) != 2 || got[1].After != 120 {
		t.Errorf("latest %v", got)
	}
}
