package words_test

import (
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
)

// titleLimit is the longest title in letters: what a phone shows of a message that
// it is locked on, common practice, no source.
const titleLimit = 110

// said are the facts that an alarm may be about, beside the one of its own id.
var said = map[alarm.ID][]alarm.Fact{
	alarm.LethalLimit:   {{ID: alarm.FactReturning}},
	alarm.LethalAhead:   {{ID: alarm.FactReached, Temperature: 29, Lethal: 28.5}},
	alarm.AboveBand:     {{ID: alarm.FactReturning}, {ID: alarm.FactAct}},
	alarm.BelowBand:     {{ID: alarm.FactReturning}, {ID: alarm.FactCold}},
	alarm.HumidityFloor: {{ID: alarm.FactReturning}, {ID: alarm.FactFarDry}},
	alarm.MistMissing:   {{ID: alarm.FactMissedAgain, Count: 3}},
	alarm.DryDown:       {{ID: alarm.FactSlower}},
	alarm.LampStuck:     {{ID: alarm.FactLampsNotOn}},
	alarm.ProbeSilent:   {{ID: alarm.FactHumiditySilent}, {ID: alarm.FactBlind}},
	alarm.ProbeJump:     {{ID: alarm.FactJumpAlone}, {ID: alarm.FactJumpStays, Delta: 3}},
	alarm.ProbeDisagrees: {{ID: alarm.FactSwappedLate, About: "p2"}, {ID: alarm.FactSwapped, About: "p2"},
		{ID: alarm.FactStood}},
	alarm.ProbeOverdue:     {{ID: alarm.FactDueHumidity}, {ID: alarm.FactDueTemperature}},
	alarm.DeliveryStalled:  {{ID: alarm.FactRoomStalled, About: "mail"}, {ID: alarm.FactSentinelBlind, For: time.Hour}},
	alarm.RecordIncomplete: {{ID: alarm.FactRecordNote, Note: "no space is left on the card"}, {ID: alarm.FactRecordSlow}, {ID: alarm.FactRecordLost, At: "2026-05-01T12:00"}, {ID: alarm.FactRecordAside, About: "record.db.damaged"}},
	alarm.ClockUnset:       {{ID: alarm.FactClockSlow, For: time.Hour}, {ID: alarm.FactClockFast, For: time.Hour}},
	alarm.BlindPeriod:      {{ID: alarm.FactBlindFrom, At: "2026-05-01T12:00", For: 6 * time.Hour}},
	alarm.ConfigRefused:    {{ID: alarm.FactLeftOut, Count: 1}, {ID: alarm.FactLeftOut, Count: 2}, {ID: alarm.FactNotGranted, Count: 1}},
	alarm.CertificateDue:   {{ID: alarm.FactCertEnds, About: "broker", At: "2026-05-01T12:00"}, {ID: alarm.FactCertEnded, About: "mail-authority", At: "2026-05-01T12:00"}},
	alarm.RoomSilent:       {{ID: alarm.FactNoRounds, For: time.Hour}, {ID: alarm.FactWentOffline, For: time.Hour}, {ID: alarm.FactBoardSilent, About: "abc", Count: 2, For: time.Hour}},
}

var causes = []alarm.CauseKind{alarm.CauseRoom, alarm.CauseShelf, alarm.CauseEnclosure, alarm.CauseProbe, alarm.CauseSupply, alarm.CauseLamps, alarm.CauseDoor}

// A keeper never reads Go, a state code or the id of an alarm or a fact.
var never = regexp.MustCompile(`[{}]|%!|<nil>|0x|\[/|map\[|NaN|Inf|\b(NORM|UNACK|ACKED|RTNUN|SHLVD|OOSRV|DSUPR|LUNACK|LACKED|nil|err|error|panic)\b|` +
	`\b(lethal-ceiling|ceiling-ahead|above-band|below-band|humidity-floor|night-drop|mist-\w+|dry-down|door-ajar|lamp-stuck|probe-\w+|contact-\w+|delivery-stalled|record-incomplete|clock-unset|blind-period|config-refused|drill-overdue|certificate-due|room-silent)\b|ceiling`)

// membersOf are an alarm's members in every situation: each fact, each cause, on
// both sides of the limit and with and without what is ahead.
func membersOf(id alarm.ID) (out []words.Member) {
	row, _ := alarm.Find(id)
	kinds := causes
	switch {
	case row.Of == alarm.OfContact:
		kinds = []alarm.CauseKind{alarm.CausePower, alarm.CauseSupply, alarm.CauseDoor, alarm.CauseDewline}
	case row.Of == alarm.OfProbe:
		kinds = []alarm.CauseKind{alarm.CauseProbe}
	case row.Of != alarm.OfEnclosure:
		kinds = []alarm.CauseKind{alarm.CauseDewline}
	}
	self := alarm.Fact{ID: alarm.FactID(id), About: "day", Count: 3, For: 40 * 24 * time.Hour, Temperature: 27.9, Lethal: 28.5, Ahead: &alarm.Range{FromMinutes: 38, ToMinutes: 104}}
	if id == alarm.DeliveryStalled {
		self.About = "mail"
	}
	for _, f := range append([]alarm.Fact{self}, said[id]...) {
		for _, c := range kinds {
			for i, ahead := range []*alarm.Range{nil, {FromMinutes: 0, ToMinutes: 58}, {FromMinutes: 38, ToMinutes: 104}, {FromMinutes: 92, ToMinutes: 360}} {
				if !row.Heat && i > 0 || (row.Heat && i > 0) && id == alarm.LethalLimit {
					break
				}
				m := words.Member{Onset: alarm.Onset{Priority: alarm.Wake, Key: alarm.Key{Alarm: id, Subject: "a-1-1"}, Cause: alarm.Cause{Kind: c, ID: "b/2"}, HasValue: row.Value != alarm.NoDimension, HasLimit: row.AtLimit, Unit: row.Value.Unit(), Value: 28.47, Limit: 28.5, Peak: &alarm.Peak{Value: 28.52, Limit: 28.5}},
					Name: "Ranitomeya by the north window", State: alarm.Unack}
				if id == alarm.Exposure {
					m.Value = 1017
				}
				d := alarm.Detail{
					DetailHeat: alarm.DetailHeat{Temperature: 28.47, Lethal: 28.5, HasRate: true, RatePerHour: 1.5, TimeToLethal: ahead, LampsOffGain: ahead},
					Is:         f,
					Turn:       alarm.TurnActive,
					Active:     true,
					Value:      m.Value,
					Limit:      m.Limit,
					Began:      "2026-05-01T12:00",
					For:        time.Hour,
					Steps:      rules.FirstSteps(id, m.Cause),
				}
				switch row.Of {
				case alarm.OfEnclosure:
					d.Place = alarm.Place{Enclosure: m.Name, Rack: "rack 1", Shelf: 2, Slot: 3}
				case alarm.OfProbe:
					m.Key.Subject, m.Name, m.Cause.ID = "p1", "", "p1"
					d.Place = alarm.Place{Probe: "p1", At: "canopy", Enclosure: "Ranitomeya by the north window", Rack: "rack 1", Shelf: 2, Slot: 3}
				case alarm.OfContact:
					m.Key.Subject, m.Name = "c1", ""
				default:
					m.Key.Subject, m.Name, m.Cause.ID = "dewline", "", ""
					switch f.ID {
					case alarm.FactLeftOut:
						m.Key.Subject = alarm.Secrets
					case alarm.FactNotGranted:
						m.Key.Subject = alarm.Broker
					}
					if row.Of == alarm.OfSentinel || slices.Contains([]alarm.FactID{alarm.FactRoomStalled, alarm.FactClockSlow, alarm.FactClockFast}, f.ID) {
						d.Place.Room = "attic"
					}
				}
				m.Detail = d
				out = append(out, m)
			}
		}
	}
	return out
}

// Every alarm in every situation has a short title, one sentence for each thing
// that may become of it, and something to do first.
func TestEverySituationHasWords(t *testing.T) {
	n := 0
	for kind := range alarm.NumKinds {
		id := kind.Row().ID
		for _, m := range membersOf(id) {
			for _, s := range []unit.Scale{unit.Celsius, unit.Fahrenheit} {
				n++
				one := words.Notice{Cause: m.Cause, Members: []words.Member{m}, ClockSet: true}
				other := m
				other.Key.Subject, other.Name = "b-2-2", "Moss"
				two := words.Notice{Cause: m.Cause, Members: []words.Member{m, other}, ClockSet: true, Update: true}
				for _, notice := range []*words.Notice{&one, &two} {
					title := notice.Title(s)
					body, _ := notice.Body(&notice.Members[0], s)
					over, story := notice.Over(s)
					for _, text := range []string{title, over} {
						if l := len([]rune(text)); l == 0 || l > titleLimit {
							t.Errorf("%s: a title of %d letters: %s", id, l, text)
						}
					}
					clean(t, id, s, title, body, over, story, m.Brief(s))
				}
				first := words.FirstAction(&m.Detail, s)
				if !strings.HasSuffix(first, ".") {
					t.Errorf("%s: what to do first is %q", id, first)
				}
				clean(t, id, s, first)
				for _, turn := range []alarm.Turn{alarm.TurnActive, alarm.TurnOver, alarm.TurnHeld, alarm.TurnUnanswered, alarm.TurnShelved, alarm.TurnOut, alarm.TurnSuppressed, alarm.TurnRemoved} {
					d := m.Detail
					d.Turn, d.Left, d.Lasted, d.Active = turn, time.Hour, time.Hour, turn == alarm.TurnActive
					x := m.Onset
					x.Detail = d
					text := words.Sentence(&x, s)
					clean(t, id, s, text)
					if !strings.HasSuffix(text, ".") || strings.Contains(strings.TrimSuffix(text, "."), ". ") {
						t.Errorf("%s, %s: not one sentence: %s", id, turn, text)
					}
				}
			}
		}
	}
	if n < 300 {
		t.Errorf("only %d situations", n)
	}
}

func clean(t *testing.T, id alarm.ID, s unit.Scale, texts ...string) {
	t.Helper()
	for _, text := range texts {
		if bad := never.FindString(text); bad != "" {
			t.Errorf("%s: %q in %s", id, bad, text)
		}
		if s == unit.Fahrenheit && strings.Contains(text, "°C") || s == unit.Celsius && strings.Contains(text, "°F") {
			t.Errorf("%s: another scale than %s in %s", id, s.Name(), text)
		}
		if strings.Contains(text, "28.5 °C (lethal limit (28.5 °C") || strings.Contains(text, "rack rack") || strings.Contains(text, "  ") {
			t.Errorf("%s: %s", id, text)
		}
	}
}

// A secret that cannot be read is no refused configuration: it is told by what does
// not work, for want of which file, and what to do.
func TestMissingSecretHasItsOwnWords(t *testing.T) {
	for _, m := range membersOf(alarm.ConfigRefused) {
		if m.Key.Subject != alarm.Secrets {
			continue
		}
		m.Detail.Steps = []alarm.Step{alarm.PutSecret}
		m.Detail.Evidence = []alarm.Fact{{ID: alarm.FactNoPageToken, Note: "there is no file /etc/dewline/token; create it"}}
		n := words.Notice{Cause: m.Cause, Members: []words.Member{m}, ClockSet: true}
		body, _ := n.Body(&n.Members[0], unit.Celsius)
		if title := n.Title(unit.Celsius); strings.Contains(title, "refused") || !strings.Contains(title, "secret") {
			t.Errorf("title %q", title)
		}
		for _, want := range []string{"the watch goes on", "on the page", "/etc/dewline/token", "Put the secret into its file"} {
			if !strings.Contains(body, want) {
				t.Errorf("%q lacks %q", body, want)
			}
		}
	}
}
