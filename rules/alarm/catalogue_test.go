package alarm

import (
	"strings"
	"testing"
	"time"

	"dewline/configs"
)

// The ids are the contract with phones and dashboards; the owners' kinds stand
// together, as the engine lays out its alarms by them.
func TestCatalogue(t *testing.T) {
	const contract = "lethal-ceiling ceiling-ahead exposure above-band below-band humidity-floor night-drop mist-missing" +
		" mist-weak mist-endless dry-down door-ajar lamp-stuck probe-silent probe-lossy probe-frozen probe-wet probe-jump probe-disagrees" +
		" probe-clock probe-overdue contact-mains contact-pump contact-reservoir contact-door contact-battery contact-silent delivery-stalled record-incomplete clock-unset blind-period drill-overdue config-refused" +
		" certificate-due duplicate-room sentinel-silent room-silent"
	if got := strings.Fields(contract); len(got) != int(NumKinds) {
		t.Errorf("%d rows for %d ids", NumKinds, len(got))
	}
	for i, id := range strings.Fields(contract) {
		if k, ok := KindOf(ID(id)); !ok || int(k) != i {
			t.Errorf("%s is kind %d, not %d", id, k, i)
		}
	}
	for k := range NumKinds {
		r, want := k.Row(), OfEnclosure
		switch {
		case k >= FirstSentinelKind:
			want = OfSentinel
		case k >= FirstSelfKind:
			want = OfDewline
		case k >= FirstContactKind:
			want = OfContact
		case k >= FirstProbeKind:
			want = OfProbe
		}
		if r.Of != want || r.ByTemperature != (int(k) < NumByTemperature) {
			t.Errorf("%s: owner %d, by temperature %t", r.ID, r.Of, r.ByTemperature)
		}
		if r.Low && !r.AtLimit || r.AtLimit && r.Value.Unit() == "" || r.Heat && !r.ByTemperature {
			t.Errorf("%s: %+v", r.ID, r)
		}
	}
	if _, ok := Find("no-such-alarm"); ok {
		t.Error("an alarm that there is not")
	}
}

// The lethal limit has no on-delay, is latched and cannot be shelved; a full
// exposure does not ring again. Promises 1 and 8 of the design.
func TestSpec(t *testing.T) {
	c := configs.Rules{BandOnDelay: configs.Duration(7 * time.Minute), RealarmAfter: configs.Duration(30 * time.Minute)}
	for k := range NumKinds {
		for p := Note; p <= Wake; p++ {
			s := k.Row().Spec(p, c)
			if lethal := k == KindLethal; s.Latched != lethal || (s.MaxShelf == 0) != lethal || lethal && s.OnDelay != 0 {
				t.Errorf("%s as %s: %+v", k.Row().ID, p, s)
			}
			if s.RealarmAfter > 0 && (p != Wake || k == KindExposure) {
				t.Errorf("%s rings again as %s", k.Row().ID, p)
			}
		}
	}
	if got := KindAbove.Row().Spec(Today, c).OnDelay; got != 7*time.Minute {
		t.Errorf("%v", got)
	}
}
