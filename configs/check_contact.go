package configs

import (
	"fmt"
	"slices"
	"strings"
)

// contacts checks the [[contact]] sections.
func (k probes) contacts() {
	lines := map[string]string{}
	for i := range k.c.Contacts {
		c, t := &k.c.Contacts[i], k.doc.item("contact", i)
		// Both are subjects of alarms.
		if c.ID != "" && slices.ContainsFunc(k.c.Probes, func(p Probe) bool { return p.ID == c.ID }) {
			k.fault(t, "id", "give each its own", "the id %q of this [[contact]] is that of a probe", c.ID)
			continue
		}
		if slices.Contains(k.enclosureIDs, c.ID) {
			k.fault(t, "id", "give each its own", "the id %q of this [[contact]] is that of an enclosure", c.ID)
		}
		if !t.has("is") {
			k.fault(t, "is", "add is, one of "+listed(senses), "contact %q does not say what it is", c.ID)
			continue
		}
		if !k.oneOf(t, "is", string(c.Is), senses...) {
			continue
		}
		k.contactFrom(t, c, lines)
		k.contactServes(t, c)
		k.battery(t, c)
	}
}

// contactFrom checks where a contact is read.
func (k probes) contactFrom(t *element, c *Contact, lines map[string]string) {
	switch {
	case c.Chip != "" && c.Topic != "":
		k.fault(t, "topic", "write one of them", "contact %q has a GPIO line and a topic", c.ID)
	case c.Chip == "" && c.Topic == "":
		k.fault(t, "", `add chip = "/dev/gpiochip0" and line, or topic and pointer`, "contact %q is read nowhere", c.ID)
	case c.Chip != "" && c.Is == SenseBattery:
		k.fault(t, "chip", "write topic and pointer", "a GPIO line has no figure to tell the battery of contact %q by", c.ID)
	}
	k.contactNode(t, c)
	k.contactLine(t, c, lines)
}

// contactNode checks what a contact says of a node that sends it.
func (k probes) contactNode(t *element, c *Contact) {
	k.together(t, "topic", "pointer")
	for _, key := range []string{"bias", "debounce"} {
		if t.has(key) && c.Topic != "" {
			k.fault(t, key, "remove it", "%s is for a GPIO line only", key)
		}
	}
	for _, x := range []struct{ key, got string }{{"pointer", c.Pointer}, {"time_pointer", c.TimePointer}} {
		if x.got != "" && !strings.HasPrefix(x.got, "/") {
			k.fault(t, x.key, fmt.Sprintf("write %q", "/"+x.got), "%s = %q is not a JSON pointer (RFC 6901)", x.key, x.got)
		}
	}
	if strings.ContainsAny(c.Topic, "+#") {
		k.fault(t, "topic", "write the topic of one node", "topic = %q has a wildcard", c.Topic)
	}
	if c.Topic != "" && k.c.MQTT.Broker == "" {
		k.fault(t, "topic", "add [mqtt] with a broker", "contact %q comes through a broker and there is none", c.ID)
	}
}

// contactLine checks what a contact says of a line of the board.
func (k probes) contactLine(t *element, c *Contact, lines map[string]string) {
	k.together(t, "chip", "line")
	k.gpioLine(t, c.Chip, c.Line)
	if t.has("bias") {
		k.oneOf(t, "bias", c.Bias, "pull-up", "pull-down", "none")
	}
	if c.Chip == "" {
		return
	}
	at := fmt.Sprint(c.Chip, " ", c.Line)
	if other, twice := lines[at]; twice {
		k.fault(t, "line", "give each its own", "contacts %q and %q are on one line", other, c.ID)
	}
	if s := k.c.Sounder; s.Chip == c.Chip && s.Line == c.Line {
		k.fault(t, "line", "give each its own", "contact %q is on the line of the sounder", c.ID)
	}
	lines[at] = c.ID
}

// contactServes checks what a contact is about.
func (k probes) contactServes(t *element, c *Contact) {
	for j, id := range c.Serves {
		if !slices.Contains(k.enclosureIDs, id) {
			k.add(t.item("serves", j).key, "write one of "+listed(k.enclosureIDs), "serves = %q names no [[enclosure]]", id)
		}
	}
	if c.Mist != "" {
		k.reference(t, "mist", c.Mist, "mist", k.mistIDs)
		if c.Is != SensePump && c.Is != SenseReservoir {
			k.fault(t, "mist", "remove it", "mist is for a pump or a reservoir, and contact %q is a %s", c.ID, c.Is)
		}
	}
	if c.Is == SenseDoor && len(c.Serves) == 0 {
		k.fault(t, "serves", `add serves = ["…"] with its enclosure`, "contact %q is the door of no enclosure", c.ID)
	}
}

// battery checks at which figure a battery is low.
func (k probes) battery(t *element, c *Contact) {
	switch {
	case c.Is != SenseBattery && t.has("low"):
		k.fault(t, "low", "remove it", "low is for a battery, and contact %q is a %s", c.ID, c.Is)
	case c.Is == SenseBattery && !t.has("low"):
		k.fault(t, "", `add low = "20 %" or "3.3 V"`, "nobody knows when the battery of contact %q is low", c.ID)
	}
}
