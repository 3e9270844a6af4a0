package words

import (
	"strings"
	"testing"

	"dewline/configs/unit"
	"dewline/rules/alarm"
)

func ofProbes(states ...alarm.State) *Notice {
	n := &Notice{Cause: alarm.Cause{Kind: CauseSeveral, ID: "today"}, ClockSet: true}
	for i, s := range states {
		n.Members = append(n.Members, Member{State: s, Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.ProbeJump, Subject: string(rune('a' + i))}}})
	}
	return n
}

// "Over" is said of what is over alone.
func TestOver_OnlyWhatIsOver(t *testing.T) {
	for _, c := range []struct {
		states []alarm.State
		want   string
	}{
		{[]alarm.State{alarm.Norm, alarm.Norm}, "Over: "},
		{[]alarm.State{alarm.Norm, alarm.Unack}, "Milder, not over: "},
		{[]alarm.State{alarm.Shelved, alarm.Acked}, "Milder, not over: "},
		{[]alarm.State{alarm.Shelved, alarm.Suppressed}, "Put away, not over: "},
		{[]alarm.State{alarm.Suppressed, alarm.Norm}, "Over or put away: "},
	} {
		if title, _ := ofProbes(c.states...).Over(unit.Celsius); !strings.HasPrefix(title, c.want) {
			t.Errorf("%v: %q, want %q", c.states, title, c.want)
		}
	}
}

// A storm is named by its one subject where it has no other, and says what its
// probes hang on.
func TestNotice_Storm(t *testing.T) {
	n := ofProbes(alarm.Unack, alarm.Unack)
	if got := n.Scope(); got != say("several-at-once") {
		t.Errorf("two are %q", got)
	}
	if one := ofProbes(alarm.Unack); one.Scope() != "a" {
		t.Errorf("one is %q", one.Scope())
	}
	for shared, want := range map[Shared]string{
		{Kind: "bus", Name: "i2c-1", Count: 2, Of: 2}: "They are all 2 probes on the bus i2c-1",
		{Kind: "bus", Name: "i2c-1", Count: 2, Of: 5}: "They are 2 of the 5 probes on the bus i2c-1",
	} {
		n.Shared = &shared
		if text, _ := n.Body(&n.Members[0], unit.Celsius); !strings.Contains(text, want) {
			t.Errorf("%q lacks %q", text, want)
		}
	}
}
