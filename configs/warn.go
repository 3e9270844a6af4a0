package configs

import (
	"fmt"
	"net"
	"net/url"
	"slices"
	"strings"
)

func (k warner) warn() {
	k.warnRoom()
	k.warnPage()
	for i, e := range k.c.Enclosures {
		k.warnEnclosure(k.doc.item("enclosure", i), e)
	}
	for i := range k.ownSpecies {
		if t := k.doc.item("species", i); t.Has("drop_max") {
			k.warning(t.at("drop_max"), "remove it", "drop_max is not judged: the low end of the night band says how cold a night may be")
		}
	}
	k.warnLimits()
	k.warnSeasons()
	k.warnPeople()
	k.warnDuties()
	k.warnUnused()
}

func (k warner) warnRoom() {
	room := k.doc.at("room")
	k.warningIf(k.c.Room.Poll > minute, room.at("poll"),
		"poll every 60 s or faster", "a poll every %s leaves heat unseen for so long", k.c.Room.Poll)
	k.warningIf(k.c.Room.Timezone == "", room,
		`add timezone to [room], as in "Europe/Berlin"`, "no timezone: day and night follow the board's own setting")
	if m := k.c.MQTT; m.PasswordFile+m.CommandTokenFile != "" && inTheClear(m.Broker) {
		k.warning(k.doc.at("mqtt", "broker"), "write ssl:// if the broker can", "the broker is reached without TLS: passwords and the token of commands can be read on the way")
	}
	k.warningIf(k.doc.Has("mail") && k.c.Mail.TLS == "none", k.doc.at("mail", "tls"),
		`write tls = "starttls" if the server can`, "mail leaves without TLS: notices and the password can be read on the way")
	// One enclosure alone has no peers to compare with either way.
	k.warningIf(len(k.c.Enclosures) > 1 && !slices.ContainsFunc(k.c.Probes, func(p Probe) bool { return p.Place == InRoom && p.MeasuresTemperature() }), newTable(position{1, 1}),
		`add a [[probe]] with place = "room"`, "nothing measures the room: a warm room cannot be told from a warm enclosure")
}

// inTheClear reports whether what goes to a broker can be read on the network.
func inTheClear(broker string) bool {
	u, err := url.Parse(broker)
	return err == nil && slices.Contains([]string{"tcp", "mqtt", "ws"}, u.Scheme) && !isLoopback(u.Hostname())
}

func isLoopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

func (k warner) warnPage() {
	host, _, err := net.SplitHostPort(k.c.HTTP.Listen)
	if err != nil {
		return
	}
	k.warnLinks(isLoopback(host))
	if isLoopback(host) {
		return
	}
	listen := k.doc.at("http", "listen")
	k.warningIf(k.c.HTTP.CertFile == "", listen,
		"add cert_file and key_file, or listen on 127.0.0.1", "the page is open to the network without TLS")
	k.warningIf(k.c.HTTP.TokenFile+k.c.HTTP.TokensFile == "", listen,
		"add token_file, or listen on 127.0.0.1", "the page listens on the network and has no token: only the board itself can look at it, and nobody can change anything")
}

// warnLinks looks whether a phone can open the links in notices.
func (k warner) warnLinks(local bool) {
	at := k.doc.at("http", "url")
	u, err := url.Parse(k.c.HTTP.URL)
	switch {
	case err != nil || k.c.HTTP.URL == "":
	case isLoopback(u.Hostname()) || u.Hostname() == "0.0.0.0":
		k.warning(at, "write the board's name or address on the network", "the links in notices lead to %s, which a phone cannot reach", u.Hostname())
	case local && k.c.HTTP.Proxy == "":
		k.warning(at, "listen on the network, or name in proxy what passes the page on", "the links in notices lead to %s and the page listens on this board only: a phone cannot reach it", u.Hostname())
	}
}

// warnEnclosure looks at crowding, light and humidity. Tadpoles live in water,
// where neither lamps nor a humidity floor say anything.
func (k warner) warnEnclosure(t *element, e Enclosure) {
	if e.Stage == Adult {
		k.warnCompany(t, e)
	}
	k.warningIf(e.Lamps == "" && e.Stage != Tadpole, t,
		"add lamps", "enclosure %q has no lamp schedule: the day band holds at night too and the night drop is not watched", e.ID)
	if e.Stage == Tadpole {
		return
	}
	k.warnFloor(t, e)
	k.warningIf(!slices.ContainsFunc(k.c.ProbesOf(e.ID), Probe.MeasuresHumidity), t,
		"add a probe that measures humidity", "nothing measures the humidity of enclosure %q: its floor is not watched", e.ID)
}

func (k warner) warnCompany(t *element, e Enclosure) {
	s := k.c.SpeciesFor(e)
	k.warningIf(s.Company == Pairs && e.Animals > 2, t.at("animals"),
		"keep two of them together", "enclosure %q has %d adults of a species that lives in pairs (common practice, no source)", e.ID, e.Animals)
	if e.Volume == 0 || e.Animals <= 0 {
		return
	}
	if each := e.Volume / Litres(e.Animals); each < s.Space-0.01 {
		k.warning(t.at("animals"), "fewer animals, or a larger enclosure",
			"enclosure %q has %s US gallons per adult, under %s (common practice, no source)", e.ID, short(each.Gallons()), short(s.Space.Gallons()))
	}
}

// warnFloor also finds a floor so high that its alarm never ends.
func (k warner) warnFloor(t *element, e Enclosure) {
	at := t.at("floor")
	if e.Floor == nil {
		at = t.at("species")
	}
	floor, dead := k.c.SpeciesFor(e).Floor, k.c.Rules.FloorDeadband
	k.warningIf(floor < floorToKeep, at,
		"keep 70 % or more", "the humidity floor of enclosure %q is %s, under %s (common practice, no source)", e.ID, floor, floorToKeep)
	k.warningIf(centi(floor+dead) > centi(Percent(100)), at,
		fmt.Sprintf("write a floor of %s or less, or a smaller floor_deadband", 100-dead), "the humidity floor of enclosure %q is %s and its alarm ends %s above that: it never would", e.ID, floor, dead)
}

func (k warner) warnPeople() {
	way := k.c.MQTT.Broker != "" || len(k.c.Webhooks) > 0 // of who names none
	rings := func(ch string) bool { return ch != channelMail }
	named := func(p Person) bool { return len(p.Channels) > 0 }
	woken := func(p Person) bool { return slices.ContainsFunc(p.Channels, rings) || len(p.Channels) == 0 && way }
	switch {
	case len(k.c.People) == 0 && !way:
		k.warning(newTable(position{1, 1}), "add a [[person]] with channels", "nobody is told: there is no person")
	case slices.ContainsFunc(k.c.People, named) && !slices.ContainsFunc(k.c.People, woken):
		k.warning(newTable(position{1, 1}), "give a [[person]] a channel that rings, mqtt or a webhook", "nobody can be woken")
	}
	for i, p := range k.c.People {
		t := k.doc.item("person", i)
		switch {
		case len(p.Channels) == 0 && way:
			// Told by it.
		case len(p.Channels) == 0:
			k.warning(t, `add channels, as in channels = ["mqtt"]`, "person %q has no channel for notices", p.ID)
		case !woken(p):
			k.warning(t.at("channels"), "add a channel that rings, mqtt or a webhook", "wake notices reach person %q by mail only, which wakes nobody", p.ID)
		}
	}
}

// warnUnused: most often the reference was forgotten, and with it the watching.
func (k warner) warnUnused() {
	for i, l := range k.c.Lamps {
		k.warningIf(!slices.ContainsFunc(k.c.Enclosures, func(e Enclosure) bool { return e.Lamps == l.ID }), k.doc.item("lamps", i),
			"name it in an enclosure, or remove it", "no enclosure uses [[lamps]] %q", l.ID)
	}
	for i, m := range k.c.Mists {
		k.warningIf(!slices.ContainsFunc(k.c.Enclosures, func(e Enclosure) bool { return e.Mist == m.ID }), k.doc.item("mist", i),
			"name it in an enclosure, or remove it", "no enclosure uses [[mist]] %q", m.ID)
	}
	for i, w := range k.c.Webhooks {
		k.warningIf(!slices.ContainsFunc(k.c.People, func(p Person) bool { return slices.Contains(p.Channels, w.ID) }), k.doc.item("webhook", i),
			"name it in the channels of a person, or remove it", "nobody uses webhook %q", w.ID)
		k.warningIf(strings.HasPrefix(w.URL, "http://"), k.doc.item("webhook", i).at("url"),
			"write https if the receiver can", "webhook %q leaves without TLS", w.ID)
	}
}

// floorToKeep is the humidity that must be kept at all times: the owner's
// trade fact, common practice, no source.
const floorToKeep Percent = 70

// narrowest is the least width of a band that a room can keep: two probes of
// ±0.3 °C are that far apart in the same air, and a band alarm ends only a
// deadband inside. A judgement.
const narrowest Celsius = 1

func (k warner) warnLimits() {
	defaults := &Config{Species: SpeciesTable()}
	for i, s := range k.ownSpecies {
		t, whose := k.doc.item("species", i), fmt.Sprintf("species %q", s.ID)
		if j := indexSpecies(defaults.Species, s.ID); j >= 0 {
			k.warnLooser(t, whose, "its default", s, defaults.Species[j])
		}
		k.warnBands(t, whose, s)
	}
	for i, e := range k.c.Enclosures {
		t, whose := k.doc.item("enclosure", i), fmt.Sprintf("enclosure %q", e.ID)
		s := k.c.SpeciesFor(e)
		if indexSpecies(defaults.Species, e.Species) >= 0 {
			k.warnLooser(t, whose, "the default of its species and stage", s, defaults.SpeciesFor(Enclosure{Species: e.Species, Stage: e.Stage}))
		}
		k.warningIf(e.Lethal != nil && s.Act >= s.Lethal, t.at("ceiling"),
			"write a higher one", "in %s the limit to act on and the lethal limit are both %s: nothing is told between them", whose, s.Lethal)
	}
	for i, x := range k.c.Seasons {
		j := slices.IndexFunc(k.c.Enclosures, x.holds)
		if j < 0 {
			continue
		}
		s := k.c.SpeciesFor(k.c.Enclosures[j])
		s.lay(&x)
		k.warnBands(k.doc.item("season", i), fmt.Sprintf("season %q", x.ID), s)
	}
}

// warnLooser tells each limit written in t that watches less than the default. A
// floor under what must always be kept is told anyway.
func (k warner) warnLooser(t *element, whose, what string, s, def Species) {
	for _, x := range []struct {
		key, name     string
		got, standard fmt.Stringer
		looser        bool
	}{
		{"warn", "limit worth a look", s.Warn, def.Warn, s.Warn > def.Warn},
		{"act", "limit to act on", s.Act, def.Act, s.Act > def.Act},
		{"ceiling", "lethal limit", s.Lethal, def.Lethal, s.Lethal > def.Lethal},
		{"cool", "cold limit worth a look", s.Cool, def.Cool, s.Cool < def.Cool},
		{"cold", "cold limit", s.Cold, def.Cold, s.Cold < def.Cold},
		{"floor", "humidity floor", s.Floor, def.Floor, s.Floor < def.Floor && s.Floor >= floorToKeep},
		{"dry", "humidity that is urgent", s.Dry, def.Dry, s.Dry < def.Dry},
	} {
		k.warningIf(x.looser && t.Has(x.key), t.at(x.key),
			fmt.Sprintf("write %s, unless you know better", x.standard), "the %s of %s is %s, looser than %s, %s", x.name, whose, x.got, what, x.standard)
	}
}

func (k warner) warnBands(t *element, whose string, s Species) {
	at := func(keys ...string) *element {
		i := slices.IndexFunc(keys, t.Has)
		if i < 0 {
			return nil
		}
		return t.at(keys[i])
	}
	if at("day", "night") == nil {
		return
	}
	least := max(narrowest, Celsius(2*k.c.Rules.BandDeadband))
	for key, b := range map[string]Band{"day": s.Day, "night": s.Night} {
		if x := at(key); x != nil && b.High-b.Low < least-0.001 {
			k.warning(x, fmt.Sprintf("make it %s wide or more", least), "no room keeps the %s band of %s, %s: that is less than probes differ by, or twice band_deadband", key, whose, b)
		}
	}
	k.warningIf(s.Night.High > s.Day.High || s.Night.Low > s.Day.Low, at("night", "day"),
		"lower the night band, or raise the day band", "the night band of %s, %s, is warmer than its day band, %s", whose, s.Night, s.Day)
	if most := CelsiusDelta(s.Day.High - s.Night.Low); s.DropMin > most {
		k.warning(at("night", "day"), "widen the bands, or lower drop_min", "the bands of %s allow a night drop of %s at most, and %s is wanted", whose, most, s.DropMin)
	}
}

func (k warner) warnSeasons() {
	for i, s := range k.c.Seasons {
		t := k.doc.item("season", i)
		k.warningIf(!slices.ContainsFunc(k.c.Enclosures, s.holds), t,
			"name an enclosure with adults", "season %q is for no enclosure of this room", s.ID)
		k.warningIf(s.days() < rampDays, t.at("to"),
			fmt.Sprintf("let it last %d days or more", rampDays), "season %q is over before its limits are reached", s.ID)
	}
}

// warnDuties looks for times of the week for which nobody is named, and for those
// for which two sections name different people.
func (k warner) warnDuties() {
	var covered [minutesPerWeek]bool
	weekly := false
	for i := range k.c.Duties {
		d := &k.c.Duties[i]
		for j := range i {
			if o := &k.c.Duties[j]; o.Person != d.Person && o.dated() == d.dated() && o.meets(d) {
				k.warning(k.doc.item("duty", i), "change one of them, or leave it so: the upper one holds",
					"%q and %q are both on duty at some times", o.Person, d.Person)
			}
		}
		if d.dated() {
			continue
		}
		weekly = true
		for m := range covered {
			covered[m] = covered[m] || d.weekly(weekTime(m))
		}
	}
	if free := slices.Index(covered[:], false); weekly && free >= 0 {
		end := free
		for end < minutesPerWeek && !covered[end] {
			end++
		}
		k.warning(k.doc.item("duty", 0), "add a [[duty]] for it, or leave it so", "nobody is on duty from %s to %s, among others: the order of [[person]] holds then",
			weekWords(free), weekWords(end%minutesPerWeek))
	}
}
