package advice

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
)

// What harms where it is not hot, and what only alarms there: ice, moving
// animals, a vet (common practice, no source).
var drastic = regexp.MustCompile(`(?i)\bice\b|\bmove\b|\bcarry\b|take the (frogs|cups) out|\bbox|\btub\b|\bvet\b`)

// checkAdvice holds a first action against what is forbidden in its situation,
// word by word.
func checkAdvice(t *testing.T, name, text string, hot, act, ceiling float64, calm, doubt bool) {
	t.Helper()
	bad := func(why string) { t.Errorf("%s: %s: %q", name, why, text) }
	low := strings.ToLower(text)
	if text == "" {
		bad("nothing to do")
	}
	if drastic.MatchString(text) && (hot < act || calm && hot < ceiling) {
		bad("drastic")
	}
	if strings.Count(low, "lid") != strings.Count(low, "mesh lid") {
		bad("a lid that is no mesh lid")
	}
	for _, part := range regexp.MustCompile(`(?i)\b(box|tub)[^.]*`).FindAllString(text, -1) {
		if !strings.Contains(part, "thermometer inside, 20–22 °C, never under 18 °C") {
			bad("a box without a thermometer")
		}
		if strings.Contains(part, "ice packs") && !strings.Contains(part, "one labelled moist tub for each enclosure, species apart") {
			bad("one box for all")
		}
	}
	if strings.Contains(low, "take the frogs out") && !strings.Contains(low, "labelled moist tub") {
		bad("frogs in what is not moist, or not labelled")
	}
	if strings.Contains(low, "ice pack") && !strings.Contains(low, "ice packs wrapped and outside") {
		bad("ice packs that touch")
	}
	for _, part := range regexp.MustCompile(`(hand-mist|mist lightly)[^.;]*`).FindAllString(low, -1) {
		if !strings.Contains(part, "dechlorinated") {
			bad("mist of any water")
		}
	}
	if at := regexp.MustCompile(`hand-mist|mist lightly`).FindStringIndex(low); doubt && at != nil && !strings.Contains(low[:at[0]], "look") {
		bad("mist before look")
	}
	if strings.Contains(low, "vinegar") && !strings.Contains(low, "until it does not smell") {
		bad("vinegar that stays")
	}
	for _, part := range regexp.MustCompile(`(?i)(dechlorinated|ro water)[^.;:,]*`).FindAllString(text, -1) {
		if !strings.HasPrefix(part, "dechlorinated or RO water at room temperature") {
			bad("water that is not at room temperature")
		}
	}
	if strings.Contains(low, "vents open") && strings.Contains(low, "keep vents and doors shut") {
		bad("open and shut at once")
	}
	if strings.Contains(text, "{") || strings.Contains(text, "%!") || strings.Contains(low, "safe") {
		bad("not for a person")
	}
}

// A grid of temperature, day and night (an unknown clock counts as day), rising
// and falling, species, stage, kind and cause.
func TestFirstAction_FitsItsSituation(t *testing.T) {
	cfg := &configs.Config{Species: configs.SpeciesTable()}
	seen := map[string]bool{}
	blows := []climate.Blow{climate.BlowUnknown, climate.BlowVent, climate.BlowEither, climate.BlowShut}
	n := 0 // every situation meets every air in turn
	for _, sp := range cfg.Species {
		for _, stage := range []configs.Stage{configs.Egg, configs.Tadpole, configs.Froglet, configs.Adult} {
			lim := cfg.SpeciesFor(configs.Enclosure{Species: sp.ID, Stage: stage})
			if limits := fmt.Sprint(lim.Cold, lim.Act, lim.Lethal, stage == configs.Egg || stage == configs.Tadpole); seen[limits] {
				continue // the same as another's
			} else {
				seen[limits] = true
			}
			grid := []float64{float64(lim.Act), float64(lim.Act) - 0.01, float64(lim.Lethal), float64(lim.Lethal) - 0.01}
			for hot := 15.0; hot <= 40; hot++ {
				grid = append(grid, hot)
			}
			for _, hot := range grid {
				n++
				for bits := range 1 << 5 {
					n++
					bit := func(i int) bool { return bits>>i&1 == 1 }
					checkSituation(t, seen, situation{
						known: true, hot: unit.Temperature(hot), cold: hot <= float64(lim.Cold),
						act: unit.Temperature(lim.Act), ceiling: unit.Temperature(lim.Lethal),
						night: bit(0), falling: bit(1) && !bit(2), rising: bit(2) && !bit(1), doubt: bit(3), back: bit(4),
						cups: stage == configs.Egg || stage == configs.Tadpole, lampsStep: bit(1), lampsOn: bit(0),
						air: blows[n%4], outside: blows[n/4%4],
					})
				}
			}
		}
	}
	if len(seen) < 50 {
		t.Errorf("only %d different first actions", len(seen))
	}
}

// checkSituation tries every kind and cause; what was seen in a like situation
// is not looked at again.
func checkSituation(t *testing.T, seen map[string]bool, s situation) {
	t.Helper()
	for k := range alarm.FirstSentinelKind {
		for _, c := range []alarm.CauseKind{alarm.CauseRoom, alarm.CauseShelf, alarm.CauseEnclosure, alarm.CauseProbe, alarm.CauseSupply, alarm.CauseLamps, alarm.CauseDoor, alarm.CauseDewline} {
			todo := steps(k, alarm.Cause{Kind: c}, s)
			doubt, calm := s.doubt || c == alarm.CauseProbe, s.night || s.falling || k == alarm.KindAbove && s.back
			var key strings.Builder
			for _, id := range todo {
				key.WriteString(string(id) + " ")
			}
			like := fmt.Sprint(key.String(), s.hot < s.act, s.hot < s.ceiling, doubt, calm)
			if seen[like] {
				continue
			}
			seen[like] = true
			d := alarm.Detail{Steps: todo, Air: &alarm.Air{Room: new(float64), Outside: new(float64)}}
			for _, text := range []string{words.FirstAction(&d, unit.Celsius), words.DoFirst(&d, unit.Celsius)} {
				name := fmt.Sprintf("%s by %s %+v", k.Row().ID, c, s)
				checkAdvice(t, name, text, float64(s.hot), float64(s.act), float64(s.ceiling), calm, doubt)
			}
		}
	}
}

// TestFirstAction_SaysWhatItTakes the lethal limit the drastic steps are there, and none is cut in two.
func TestFirstAction_SaysWhatItTakes(t *testing.T) {
	s := situation{known: true, hot: 31, act: 28, ceiling: 30}
	for _, c := range []alarm.CauseKind{alarm.CauseRoom, alarm.CauseShelf, alarm.CauseEnclosure} {
		d := alarm.Detail{Steps: steps(alarm.KindLethal, alarm.Cause{Kind: c}, s)}
		all, short := words.FirstAction(&d, unit.Celsius), words.DoFirst(&d, unit.Celsius)
		if !drastic.MatchString(all) || !strings.Contains(all, "Call a vet if a frog is limp or cramping") {
			t.Errorf("%s: %q", c, all)
		}
		if n := len([]rune(short)); n > 200 || !strings.HasSuffix(short, ".") || !strings.Contains(strings.ToLower(short), "lamps") {
			t.Errorf("%s: %d characters: %q", c, n, short)
		}
	}
	d := alarm.Detail{Steps: steps(alarm.KindLethal, alarm.Cause{Kind: alarm.CauseRoom}, s)}
	if got := words.FirstAction(&d, unit.Fahrenheit); !strings.Contains(got, "thermometer inside, 68–72 °F, never under 64 °F") {
		t.Errorf("%q", got)
	}
}

// Air that is blown in decides what a hot room says first (breeding notes, section
// 10), at the limit to act on as at the lethal one; where nobody knows its
// humidity, that is said.
func TestFirstAction_AirBlownIn(t *testing.T) {
	wet := 26.4
	for _, c := range []struct {
		air, outside climate.Blow
		want, never  string
	}{
		{climate.BlowVent, climate.BlowUnknown, "Vents open, fan on, mesh lid on; wet all every ten minutes", "shut"},
		{climate.BlowShut, climate.BlowVent, "Keep vents and doors shut, no fog: the room's air would warm what is wet to 26.4 °C", "Vents open"},
		{climate.BlowShut, climate.BlowVent, "Open the windows", "Keep the windows shut"},
		{climate.BlowEither, climate.BlowShut, "or keep shut. The room's air cools what is wet only to 26.4 °C", "Open the windows"},
		{climate.BlowUnknown, climate.BlowUnknown, "the humidity of the room is not known", "windows"},
	} {
		for _, hot := range []unit.Temperature{27.5, 28.6, 30.2} {
			s := situation{known: true, hot: hot, act: 28.5, ceiling: 30, air: c.air, outside: c.outside}
			d := alarm.Detail{Steps: steps(alarm.KindLethal, alarm.Cause{Kind: alarm.CauseRoom}, s), Air: &alarm.Air{Room: &wet, Outside: &wet}}
			if got := words.FirstAction(&d, unit.Celsius); !strings.Contains(got, c.want) || strings.Contains(got, c.never) {
				t.Errorf("at %v, %s, outside %s: %q", hot, c.air, c.outside, got)
			}
		}
	}
}

// Each situation with what it must say and what it must not, whoever is told and
// with whatever priority: words are made without it.
func TestFirstAction_BySituation(t *testing.T) {
	at := func(hot unit.Temperature) situation { return situation{known: true, hot: hot, act: 28.5, ceiling: 30} }
	with := func(s situation, f func(*situation)) situation { f(&s); return s }
	calm := `(?i)\bice\b|\bmove|\bbox|\btub|\bvet\b|take the`
	room := alarm.Cause{Kind: alarm.CauseRoom}
	for name, c := range map[string]struct {
		kind        alarm.Kind
		cause       alarm.Cause
		s           situation
		want, never string
	}{
		"cold side":           {alarm.KindBelow, room, with(at(16), func(s *situation) {}), "Keep doors and windows closed", calm + "|bottle|vents open"},
		"cold limit":          {alarm.KindBelow, room, with(at(14), func(s *situation) { s.cold = true }), "^1 Keep doors and windows closed; check the heating.*Warm-water bottles, wrapped, beside the enclosures and never inside", "vents open"},
		"cold, no power":      {alarm.KindBelow, alarm.Cause{Kind: alarm.CausePower}, at(17), "^Check fuse", calm + "|bottle|heating and the lamp timer"},
		"colder, no power":    {alarm.KindBelow, alarm.Cause{Kind: alarm.CausePower}, with(at(14), func(s *situation) { s.cold = true }), "^1 Check fuse.*Warm-water bottles", "vents open"},
		"warming up":          {alarm.KindBelow, room, with(at(17), func(s *situation) { s.rising = true }), "warming up again", calm + "|bottle"},
		"night above band":    {alarm.KindAbove, room, with(at(23), func(s *situation) { s.night = true }), "See that the lamps are off", calm},
		"night, outside cool": {alarm.KindAbove, room, with(at(23), func(s *situation) { s.night, s.outside = true, climate.BlowVent }), "Open the windows: the air outside", calm},
		"above band":          {alarm.KindAbove, room, at(27), "Lamps off", calm},
		"limit to act":        {alarm.KindAbove, room, at(28.5), "All lamps off.*If it still rises, move.*Call a vet if", "Move Oophaga"},
		"act, air that heats": {alarm.KindAbove, room, with(at(28.5), func(s *situation) { s.air = climate.BlowShut }), "Keep vents and doors shut.*Move Oophaga", "Vents open|If it still rises"},
		"lethal limit":        {alarm.KindLethal, room, at(30), "Move Oophaga, Phyllobates, froglets and tadpoles first", ""},
		"lethal, alone":       {alarm.KindLethal, alarm.Cause{Kind: alarm.CauseEnclosure}, at(30), "shade it; mesh lid on, vents open.*labelled moist tub", ""},
		"cooling":             {alarm.KindLethal, room, with(at(29), func(s *situation) { s.falling = true }), "It is cooling down", calm},
		"25 °C and falling":   {alarm.KindLethal, room, with(at(25), func(s *situation) { s.falling = true }), "coming back", calm},
		"door, room warmer":   {alarm.KindAbove, alarm.Cause{Kind: alarm.CauseDoor}, at(27), "Close the door, count the frogs", calm + "|vents open"},
		"dry":                 {alarm.KindFloor, alarm.Cause{Kind: alarm.CauseEnclosure}, at(24), "^Hand-mist with dechlorinated or RO water at room temperature", calm},
		"dry, doubted":        {alarm.KindFloor, alarm.Cause{Kind: alarm.CauseEnclosure}, with(at(24), func(s *situation) { s.doubt = true }), "^1 Look at moss and glass", calm},
		"nozzle":              {alarm.KindMistMissing, alarm.Cause{Kind: alarm.CauseEnclosure}, at(24), "vinegar away from the enclosure, and rinse it until it does not smell", calm},
		"wet":                 {alarm.KindMistEndless, alarm.Cause{Kind: alarm.CauseEnclosure}, at(24), "Stop the pump at its plug", calm + "|mist"},
		"supply":              {alarm.KindMistMissing, alarm.Cause{Kind: alarm.CauseSupply}, at(24), "Refill the reservoir with dechlorinated or RO water at room temperature", calm},
		"a probe's heat":      {alarm.KindLethal, alarm.Cause{Kind: alarm.CauseProbe}, at(31), "^1 Look at the frogs", calm},
		"a probe's dryness":   {alarm.KindFloor, alarm.Cause{Kind: alarm.CauseProbe}, at(24), "^1 Look at moss and glass", calm},
		"silent":              {alarm.KindSilent, alarm.Cause{Kind: alarm.CauseProbe}, situation{}, "^Look at the frogs", calm},
		"wet probe":           {alarm.KindWet, alarm.Cause{Kind: alarm.CauseProbe}, situation{}, "^Look", calm},
		"jumping":             {alarm.KindJump, alarm.Cause{Kind: alarm.CauseProbe}, situation{}, "^1 Look", calm},
	} {
		d := alarm.Detail{Steps: steps(c.kind, c.cause, c.s), Air: &alarm.Air{Room: new(float64), Outside: new(float64)}}
		got := words.FirstAction(&d, unit.Celsius)
		if !regexp.MustCompile(c.want).MatchString(got) || c.never != "" && regexp.MustCompile(c.never).MatchString(got) {
			t.Errorf("%s: %q", name, got)
		}
	}
}

// What is looked at before anything is advised, at each bound.
func TestSituation_AtItsLimits(t *testing.T) {
	look := func(k alarm.Kind, set func(v *room.View, en *room.Enclosure, a *room.Alarm)) situation {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		a := &en.Alarms[k]
		set(v, en, a)
		return situationOf(v, a, nil)
	}
	trend := func(perHour float64) situation {
		return look(alarm.KindAbove, func(v *room.View, en *room.Enclosure, _ *room.Alarm) {
			for m := -40; m <= 0; m++ {
				en.St.Trend.Observe(v.At.Mono+time.Duration(m)*time.Minute, 26+perHour*float64(m)/60)
			}
		})
	}
	for rate, want := range map[float64][2]bool{0.31: {true, false}, 0.29: {false, false}, -0.31: {false, true}, -0.29: {false, false}} {
		if s := trend(rate); s.rising != want[0] || s.falling != want[1] {
			t.Errorf("%v °C/h: %+v", rate, s)
		}
	}
	for stage, want := range map[configs.Stage]bool{configs.Egg: true, configs.Tadpole: true, configs.Froglet: false, configs.Adult: false} {
		if s := look(alarm.KindAbove, func(_ *room.View, en *room.Enclosure, _ *room.Alarm) { en.Cfg.Stage = stage }); s.cups != want {
			t.Errorf("%s: in cups %v", stage, s.cups)
		}
	}
	for off, want := range map[int32]bool{0: true, 1: false} {
		if s := look(alarm.KindBelow, func(_ *room.View, en *room.Enclosure, _ *room.Alarm) { en.Now.Main = en.Limits.Cold + off }); s.cold != want {
			t.Errorf("%d above the cold limit: cold %v", off, s.cold)
		}
	}
	for _, c := range []struct {
		name  string
		kind  alarm.Kind
		seen  alarm.Input
		known bool
		want  float64 // °C that are believed; 24 are shown, 33 were told
	}{
		{"lethal, and it is shown cooler", alarm.KindLethal, alarm.Beyond, true, 33}, {"nothing is shown", alarm.KindLethal, alarm.Beyond, false, 33},
		{"it is back", alarm.KindLethal, alarm.Back, true, 24}, {"another alarm", alarm.KindAbove, alarm.Beyond, true, 24},
	} {
		s := look(c.kind, func(_ *room.View, en *room.Enclosure, a *room.Alarm) {
			en.Now.HasTemp, a.Rec.Life.Seen, a.Rec.Value = c.known, c.seen, 33
		})
		if !s.known || float64(s.hot) != c.want {
			t.Errorf("%s: %v, %v °C", c.name, s.known, s.hot)
		}
	}
	for _, c := range []struct {
		kind  alarm.Kind
		value float64 // against 26
		want  bool
	}{{alarm.KindAbove, 25.9, true}, {alarm.KindAbove, 26, false}, {alarm.KindBelow, 26.1, true}, {alarm.KindBelow, 26, false}, {alarm.KindLethal, 20, false}} {
		s := look(c.kind, func(_ *room.View, _ *room.Enclosure, a *room.Alarm) { a.Against(c.value, 26) })
		if s.back != c.want {
			t.Errorf("%+v: back %v", c, s.back)
		}
	}
}

// The steps of each situation in their order: where a cause has a remedy of its own it is
// that, and a doubt is looked at before anything that it may have caused.
func TestSteps_InOrder(t *testing.T) {
	warm := situation{known: true, hot: 27, act: 28.5, ceiling: 30}
	with := func(f func(*situation)) situation { s := warm; f(&s); return s }
	act, ceiling := with(func(s *situation) { s.hot = 28.5 }), with(func(s *situation) { s.hot = 30 })
	doubt := with(func(s *situation) { s.doubt = true })
	cold := with(func(s *situation) { s.hot, s.cold = 14, true })
	for _, c := range []struct {
		kind  alarm.Kind
		cause alarm.CauseKind
		s     situation
		want  []alarm.Step
	}{
		{alarm.KindFloor, alarm.CauseEnclosure, warm, []alarm.Step{alarm.MistFloor}},
		{alarm.KindFloor, alarm.CauseDoor, warm, []alarm.Step{alarm.CloseDoorMist}},
		{alarm.KindFloor, alarm.CauseSupply, warm, []alarm.Step{alarm.RefillSupply}},
		{alarm.KindFloor, alarm.CausePower, warm, []alarm.Step{alarm.CheckPower, alarm.MistFloor}},
		{alarm.KindFloor, alarm.CauseProbe, warm, []alarm.Step{alarm.LookWet, alarm.IfDrySwap}},
		{alarm.KindFloor, alarm.CausePower, doubt, []alarm.Step{alarm.LookWet, alarm.CheckPower, alarm.MistFloor}},
		{alarm.KindMistWeak, alarm.CauseEnclosure, warm, []alarm.Step{alarm.MistNozzle}},
		{alarm.KindMistMissing, alarm.CauseDoor, doubt, []alarm.Step{alarm.LookWet, alarm.CloseDoorMist}},
		{alarm.KindBelow, alarm.CauseRoom, warm, []alarm.Step{alarm.DoorsClosed}},
		{alarm.KindBelow, alarm.CauseProbe, cold, []alarm.Step{alarm.Look, alarm.SwapKeepOn}},
		{alarm.KindBelow, alarm.CauseRoom, situation{}, []alarm.Step{alarm.Look, alarm.CheckHeating}},
		{alarm.KindBelow, alarm.CauseRoom, with(func(s *situation) { s.back = true }), []alarm.Step{alarm.Warming}},
		{alarm.KindBelow, alarm.CauseRoom, with(func(s *situation) { s.cold, s.back, s.rising = true, true, true }), []alarm.Step{alarm.DoorsClosed, alarm.CoverRack, alarm.WarmBottles, alarm.FrogletsFirst, alarm.GeneratorOut}},
		{alarm.KindBelow, alarm.CausePower, cold, []alarm.Step{alarm.CheckPower, alarm.CoverRack, alarm.WarmBottles, alarm.FrogletsFirst, alarm.GeneratorOut}},
		{alarm.KindBelow, alarm.CausePower, doubt, []alarm.Step{alarm.Look, alarm.CheckPower}},
		{alarm.KindLampStuck, alarm.CausePower, warm, []alarm.Step{alarm.CheckPower}},
		{alarm.KindLampStuck, alarm.CauseLamps, warm, []alarm.Step{alarm.LampsSwitch}},
		{alarm.KindLampStuck, alarm.CauseLamps, with(func(s *situation) { s.lampsStep = true }), []alarm.Step{alarm.LampsByHand}},
		{alarm.KindLampStuck, alarm.CauseLamps, with(func(s *situation) { s.lampsStep, s.lampsOn = true, true }), []alarm.Step{alarm.LampsSwitch}},
		{alarm.KindLampStuck, alarm.CauseLamps, with(func(s *situation) { s.lampsStep, s.lampsOn, s.hot = true, true, 28.5 }), []alarm.Step{alarm.LampsLeaveOff}},
		{alarm.KindLampStuck, alarm.CauseLamps, with(func(s *situation) { s.lampsStep, s.lampsOn, s.hot, s.known = true, true, 28.5, false }), []alarm.Step{alarm.LampsSwitch}},
		{alarm.KindLethal, alarm.CauseProbe, ceiling, []alarm.Step{alarm.Look, alarm.IfReallyHot, alarm.KeepOnThenSwap}},
		{alarm.KindLethal, alarm.CauseProbe, act, []alarm.Step{alarm.Look, alarm.SwapKeepOn}},
		{alarm.KindLethal, alarm.CauseRoom, situation{}, []alarm.Step{alarm.Look, alarm.IfHotKeepOn}},
		{alarm.KindLethal, alarm.CauseEnclosure, ceiling, []alarm.Step{alarm.PullPlugs, alarm.BoxFrogs, alarm.CallVet}},
		{alarm.KindLethal, alarm.CauseEnclosure, act, []alarm.Step{alarm.PullPlugs, alarm.BoxFrogsRising, alarm.CallVet}},
		{alarm.KindLethal, alarm.CauseEnclosure, with(func(s *situation) { s.hot, s.cups = 30, true }), []alarm.Step{alarm.PullPlugs, alarm.BoxCups, alarm.CallVet}},
		{alarm.KindLethal, alarm.CauseEnclosure, with(func(s *situation) { s.hot, s.cups = 28.5, true }), []alarm.Step{alarm.PullPlugs, alarm.BoxCupsRising, alarm.CallVet}},
		{alarm.KindLethal, alarm.CauseLamps, ceiling, []alarm.Step{alarm.LampsByHand, alarm.VentNoFog, alarm.CallVet}},
		{alarm.KindLethal, alarm.CauseDoor, ceiling, []alarm.Step{alarm.CloseDoor, alarm.IfRoomWarmer, alarm.CallVet}},
		{alarm.KindAbove, alarm.CauseEnclosure, with(func(s *situation) { s.falling, s.hot = true, 28.5 }), []alarm.Step{alarm.Cooling}},
		{alarm.KindAbove, alarm.CauseEnclosure, with(func(s *situation) { s.falling = true }), []alarm.Step{alarm.ComingBack}},
		{alarm.KindAbove, alarm.CauseEnclosure, with(func(s *situation) { s.back = true }), []alarm.Step{alarm.ComingBack}},
		{alarm.KindAbove, alarm.CauseLamps, warm, []alarm.Step{alarm.WarmLamps}},
		{alarm.KindAbove, alarm.CauseDoor, warm, []alarm.Step{alarm.WarmDoor}},
		{alarm.KindAbove, alarm.CauseEnclosure, doubt, []alarm.Step{alarm.Look, alarm.WarmAlone}},
		{alarm.KindAbove, alarm.CauseShelf, warm, []alarm.Step{alarm.WarmRoom, alarm.VentNoFog}},
		{alarm.KindAbove, alarm.CauseLamps, with(func(s *situation) { s.night = true }), []alarm.Step{alarm.WarmLamps}},
		{alarm.KindAbove, alarm.CauseDoor, with(func(s *situation) { s.night = true }), []alarm.Step{alarm.NightDoor}},
		{alarm.KindAbove, alarm.CauseEnclosure, with(func(s *situation) { s.night = true }), []alarm.Step{alarm.NightAlone}},
		{alarm.KindAbove, alarm.CauseRoom, with(func(s *situation) { s.night = true }), []alarm.Step{alarm.NightRoom, alarm.VentNoFog, alarm.CoolerOutside}},
		{alarm.KindAbove, alarm.CauseRoom, with(func(s *situation) { s.night, s.outside = true, climate.BlowShut }), []alarm.Step{alarm.NightRoom, alarm.VentNoFog, alarm.ShutWindows}},
		{alarm.KindFrozen, alarm.CauseProbe, warm, []alarm.Step{alarm.Look, alarm.SwapKeepOn}},
	} {
		if got := steps(c.kind, alarm.Cause{Kind: c.cause}, c.s); !slices.Equal(got, c.want) {
			t.Errorf("%s by %s, %+v: %v, want %v", c.kind.Row().ID, c.cause, c.s, got, c.want)
		}
	}
	if got := First("nothing", alarm.Cause{}); !slices.Equal(got, []alarm.Step{alarm.LookAtEnclosure}) {
		t.Errorf("about an alarm that there is not: %v", got)
	}
	if got := First(alarm.LethalLimit, alarm.Cause{Kind: alarm.CauseRoom}); !slices.Equal(got, []alarm.Step{alarm.Look, alarm.IfHotKeepOn}) {
		t.Errorf("about lethal heat: %v", got)
	}
}
