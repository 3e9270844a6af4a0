package words

import (
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
)

// constants are the values of the constants of a type in rules/alarm.
func constants(t *testing.T, file, typ string) (list []string) {
	t.Helper()
	tree, err := parser.ParseFile(token.NewFileSet(), "../../rules/alarm/"+file, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	ast.Inspect(tree, func(n ast.Node) bool {
		v, ok := n.(*ast.ValueSpec)
		if !ok {
			return true
		}
		if id, ok := v.Type.(*ast.Ident); ok && id.Name == typ {
			text, err := strconv.Unquote(v.Values[0].(*ast.BasicLit).Value)
			if err != nil {
				t.Fatal(err)
			}
			list = append(list, text)
		}
		return true
	})
	if len(list) < 20 {
		t.Fatalf("only %d constants of %s", len(list), typ)
	}
	return list
}

// Every alarm, fact and step has words, and no words are left over.
func TestTables_AreComplete(t *testing.T) {
	all, known := inEnglish(), map[alarm.FactID]bool{}
	for _, id := range constants(t, "catalogue.go", "ID") {
		known[alarm.FactID(id)] = true
		if all.Endings[alarm.ID(id)] == "" || Headline(alarm.ID(id)) == id {
			t.Errorf("%s has no words for its end, or no headline", id)
		}
	}
	for _, id := range constants(t, "fact.go", "FactID") {
		known[alarm.FactID(id)] = true
	}
	for id := range known {
		if all.Facts[id] == "" {
			t.Errorf("the fact %s has no words", id)
		}
		f := alarm.Fact{ID: id, Count: 2, Note: "note", About: "about"}
		if text := write(&f, "1", "2", unit.Celsius); strings.ContainsAny(text, "{}%!") && !strings.Contains(text, " %") {
			t.Errorf("%s: %q", id, text)
		}
	}
	if len(all.Facts) != len(known) || len(all.Headlines) != len(all.Endings) {
		t.Errorf("%d phrases for %d facts, %d headlines, %d endings", len(all.Facts), len(known), len(all.Headlines), len(all.Endings))
	}
	list := constants(t, "fact.go", "Step")
	for _, id := range list {
		if text := step(alarm.Step(id), &alarm.Detail{}, unit.Fahrenheit); !strings.HasSuffix(text, ".") || strings.ContainsAny(text, "{}") {
			t.Errorf("the step %s: %q", id, text)
		}
	}
	if len(all.Steps) != len(list) {
		t.Errorf("%d texts for %d steps", len(all.Steps), len(list))
	}
}

// What an older record holds in sentences is told until the alarm is said anew.
func TestOlderRecord(t *testing.T) {
	const old = `{"evidence":["the room itself is 27.1 °C"],"unknown":["the room's temperature"],"first_action":"1 Lamps off. 2 Look.",` +
		`"do_first":"Lamps off.","fahrenheit":{"text":"x"}}`
	var d alarm.Detail
	if err := json.Unmarshal([]byte(old), &d); err != nil {
		t.Fatal(err)
	}
	a := alarm.Onset{Key: alarm.Key{Alarm: alarm.AboveBand, Subject: "e1"}, Text: "Tank 1: too warm.", Detail: d}
	if got := Sentence(&a, unit.Celsius); got != a.Text {
		t.Errorf("%q", got)
	}
	if got := strings.Join(Facts(append(d.Evidence, d.Unknown...), unit.Celsius), "|"); got != "the room itself is 27.1 °C|the room's temperature" {
		t.Errorf("%q", got)
	}
	if got := FirstAction(&d, unit.Celsius); got != "1 Lamps off. 2 Look." || DoFirst(&d, unit.Celsius) != got {
		t.Errorf("%q", got)
	}
}

// A quantity follows the reader by what it is: 0.5 °C of difference is 0.9 °F,
// 27 °C are 80.6 °F (NIST SP 811, B.8).
func TestSentence_Fahrenheit(t *testing.T) {
	d := alarm.Detail{
		Value:      27,
		Limit:      26,
		Place:      alarm.Place{Enclosure: "Fern", Rack: "r", Shelf: 1, Slot: 2},
		Turn:       alarm.TurnActive,
		Began:      "2026-07-01T14:05",
		Is:         alarm.Fact{ID: "above-band", About: "day"},
		DetailHeat: alarm.DetailHeat{HasRate: true, RatePerHour: 0.5},
		Unknown:    []alarm.Fact{{ID: alarm.FactNoRoom}},
		Evidence:   []alarm.Fact{{ID: alarm.FactRoomUnusual, Temperature: 27, Delta: 0.5}},
	}
	a := alarm.Onset{Key: alarm.Key{Alarm: alarm.AboveBand, Subject: "f"}, Cause: alarm.Cause{Kind: alarm.CauseRoom}, HasValue: true, HasLimit: true, Unit: "°C", Detail: d}
	const want = "Fern (rack r, shelf 1, slot 2): 80.6 °F, above the day band's high end of 78.8 °F; since 14:05; rising 0.9 °F/h with the whole room; " +
		"likely cause: the room (the room itself is 80.6 °F, warmer by 0.9 °F than usual at this hour); not known: the room's temperature."
	if got := Sentence(&a, unit.Fahrenheit); got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// Every phrase is said somewhere, every one that is said is in the table, and what is
// filled in has a value.
func TestPhrases_AreSaid(t *testing.T) {
	all, said, filled := inEnglish(), map[string]bool{}, map[string]bool{}
	kebab := regexp.MustCompile(`^[a-z]+(-[a-z]+)+$`)
	for _, file := range []string{"notice.go", "member.go", "over.go", "heat.go", "quantity.go", "sentence.go", "facts.go"} {
		tree, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		literal := func(e ast.Expr) string {
			if l, ok := e.(*ast.BasicLit); ok && l.Kind == token.STRING {
				text, _ := strconv.Unquote(l.Value)
				return text
			}
			return ""
		}
		ast.Inspect(tree, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.CallExpr:
				switch f, ok := n.Fun.(*ast.Ident); {
				case ok && (f.Name == "say" || f.Name == "fill"):
					for _, e := range n.Args[1:] {
						filled["{"+literal(e)+"}"] = true
					}
					fallthrough
				case ok && f.Name == "clauses":
					said[literal(n.Args[0])] = true
				}
			case *ast.BasicLit:
				if text := literal(n); kebab.MatchString(text) && all.Silences[text] == (silence{}) {
					said[text] = true
				}
			}
			return true
		})
	}
	delete(said, "") // a variable
	for id, text := range all.Phrases {
		if !said[id] {
			t.Errorf("nobody says %s", id)
		}
		for _, name := range regexp.MustCompile(`\{.*?\}`).FindAllString(text, -1) {
			if !filled[name] {
				t.Errorf("%s: nobody fills in %s", id, name)
			}
		}
		delete(said, id)
	}
	for id := range said {
		t.Errorf("%s has no words", id)
	}
	for _, how := range []string{PutAway, TakenOut, Emptied, Unseen, Dropped, Raised, OnDuty, DutyOver} {
		if s := all.Silences[how]; s.Title == "" || s.Line == "" || len(all.Silences) != 8 {
			t.Errorf("%s: %+v", how, s)
		}
	}
	for s := range alarm.State(9) {
		if State(s) == "not known" || Standing(s, "Ada", 0) == "" || len(all.States) != 9 || len(all.Standings) != 9 {
			t.Errorf("the state %v has no words", s)
		}
	}
}

// What happened a while ago is told by its time, or so that it stays true when it is
// read later: evidence stands in texts for as long as the alarm lasts.
func TestFacts_StayTrueWhenReadLater(t *testing.T) {
	const at = alarm.LocalTime("2026-05-01T14:05")
	for _, c := range []struct {
		id           alarm.FactID
		dated, unset string
	}{
		{alarm.FactLeapt, "at 14:05 it leapt by 3.5 °C, faster than air can change", "at least 87 s ago it leapt by 3.5 °C, faster than air can change"},
		{alarm.FactStands, "it has said exactly the same since 14:05 while the others moved", "it has said exactly the same for at least 87 s while the others moved"},
		{alarm.FactMainsAway, "the contact says that the mains have been away since 14:05", "the contact says that the mains have been away for at least 87 s"},
		{alarm.FactReservoirLow, "the float has said since 14:05 that the reservoir is low", "the float has said for at least 87 s that the reservoir is low"},
		{alarm.FactPumpRuns, "the contact says that the pump has run since 14:05", "the contact says that the pump has run for at least 87 s"},
		{alarm.FactDoorOpened, "a door opened at 14:05", "a door opened at least 87 s ago"},
	} {
		f := alarm.Fact{ID: c.id, For: 87 * time.Second, Delta: 3.5, At: at}
		if got := Fact(f, unit.Celsius); got != c.dated {
			t.Errorf("%q, want %q", got, c.dated)
		}
		f.At = ""
		if got := Fact(f, unit.Celsius); got != c.unset {
			t.Errorf("%q, want %q", got, c.unset)
		}
	}
}
