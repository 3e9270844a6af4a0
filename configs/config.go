// Package configs holds the description of a room as the keeper writes it: the TOML
// sections as plain structs, the strict decoder that reports every fault with file, line
// and column, the validation, and the embedded species table and example files.
//
// It is a leaf and keeps no state. A Config that was returned without an error is
// complete: defaults are filled in, references resolve, quantities are in the units that
// their types name.
package configs

import (
	"slices"
	"time"
)

// Config is one room as the keeper describes it. What a key holds where it is left
// out (default), and what it may hold (within, both ends included; oneof; address, of these
// schemes; ref, to a section's id), stand in the tags of its field. Its fields are the sections of the file, and so more than other
// types have.
type Config struct {
	Room       Room        `toml:"room"`
	Probes     []Probe     `toml:"probe"`
	Enclosures []Enclosure `toml:"enclosure"`
	Contacts   []Contact   `toml:"contact"`
	Lamps      []Lamps     `toml:"lamps"`
	Mists      []Mist      `toml:"mist"`
	Seasons    []Season    `toml:"season"`
	// Species holds the table entries in use: the embedded ones overlaid with
	// the keeper's own [[species]] sections.
	Species  []Species `toml:"species"`
	Rules    Rules     `toml:"rules"`
	MQTT     MQTT      `toml:"mqtt"`
	HTTP     HTTP      `toml:"http"`
	Store    Store     `toml:"store"`
	People   []Person  `toml:"person"`
	Duties   []Duty    `toml:"duty"`
	Mail     Mail      `toml:"mail"`
	Webhooks []Webhook `toml:"webhook"`
	Summary  Summary   `toml:"summary"`
	Outside  Outside   `toml:"heartbeat"`
	Sounder  Sounder   `toml:"sounder"`
	Drill    Drill     `toml:"drill"`
	Sentinel Sentinel  `toml:"sentinel"`
	// Warnings are what Decode found worth saying though nothing is wrong.
	Warnings Faults `toml:"-"`
}

// Room is the place where the racks stand.
type Room struct {
	ID       string   `toml:"id" default:"room"` // used in topics: a-z, 0-9, hyphen
	Name     string   `toml:"name"`              // for people
	Timezone string   `toml:"timezone"`
	Poll     Duration `toml:"poll" default:"10 s" within:"1 s to 10 min"` // grid on which every probe is read
	// Location is Timezone, loaded.
	Location *time.Location `toml:"-"`
}

// Place says where a probe hangs.
type Place string

// The places of a probe.
const (
	Litter  Place = "litter"
	Canopy  Place = "canopy"
	Water   Place = "water"
	InRoom  Place = "room"
	Outdoor Place = "outside"
)

// Probe is one probe and how to reach it. Its fields are the keys of a [[probe]]
// section of any family, and so more than other types have.
type Probe struct {
	ID        string `toml:"id"`
	Family    string `toml:"family"` // a row of sensors/table
	Place     Place  `toml:"place" oneof:"litter,canopy,water,room,outside"`
	Enclosure string `toml:"enclosure"` // empty for room and outside
	// Rack and Shelf say where a probe in the room hangs; empty and 0 for
	// nowhere in particular.
	Rack       string   `toml:"rack"`
	Shelf      int      `toml:"shelf"`
	Bus        string   `toml:"bus"`         // "/dev/i2c-1"
	Address    int      `toml:"address"`     // 0x44
	MuxAddress int      `toml:"mux_address"` // 0 for none
	MuxChannel int      `toml:"mux_channel"`
	Path       string   `toml:"path"`                                         // w1 or IIO/hwmon directory
	Budget     Duration `toml:"budget" default:"2 s" within:"10 ms to 1 min"` // longest a reading may take
	// A remote node: topic and where in its JSON each quantity stands.
	Topic              string   `toml:"topic"`
	TemperaturePointer string   `toml:"temperature_pointer"`           // JSON pointer, RFC 6901
	TemperatureUnit    string   `toml:"temperature_unit" default:"°C"` // "°C" or "F"
	HumidityPointer    string   `toml:"humidity_pointer"`
	HumidityUnit       string   `toml:"humidity_unit" default:"%"` // "%" or "ratio"
	TimePointer        string   `toml:"time_pointer"`              // optional: RFC 3339, or seconds or milliseconds since 1970
	MaxAge             Duration `toml:"max_age" default:"5 min"`   // 3 polls of the node
	// Heater pulses against creep; zero for none.
	HeaterEvery Duration `toml:"heater_every"`
	// FloorProbe makes this probe the one that the humidity floor is judged on.
	FloorProbe bool `toml:"floor_probe"`
	// Measures is what probes of this family can deliver, set by Decode.
	Measures Measures `toml:"-"`
}

// Measures is what a probe can deliver of what enclosures are judged by.
type Measures struct{ Temperature, Humidity bool }

// MeasuresTemperature reports whether the probe can deliver a temperature.
func (p Probe) MeasuresTemperature() bool { return p.Measures.Temperature }

// MeasuresHumidity reports whether the probe can deliver a relative humidity;
// an IIO directory may turn out not to.
func (p Probe) MeasuresHumidity() bool { return p.Measures.Humidity }

// Rules are the editable numbers that hold for every enclosure.
type Rules struct {
	BandOnDelay     Duration     `toml:"band_on_delay" default:"30 min" within:"0 s to 1 day"`
	BandOffDelay    Duration     `toml:"band_off_delay" default:"10 min" within:"0 s to 1 day"`
	BandDeadband    CelsiusDelta `toml:"band_deadband" default:"0.5 °C" within:"0 °C to 5 °C"`
	BandSettle      Duration     `toml:"band_settle" default:"3 h" within:"0 s to 12 h"` // after lamps change, the wider band holds so long
	FloorOnDelay    Duration     `toml:"floor_on_delay" default:"10 min" within:"0 s to 1 day"`
	FloorOffDelay   Duration     `toml:"floor_off_delay" default:"5 min" within:"0 s to 1 day"`
	FloorDeadband   Percent      `toml:"floor_deadband" default:"3 %" within:"0 % to 20 %"`
	FloorLessUncert bool         `toml:"floor_minus_uncertainty"`
	DoorExcuse      Duration     `toml:"door_excuse" default:"30 min" within:"0 s to 4 h"`
	SilentAfter     Duration     `toml:"silent_after"` // 3 polls, at least 30 s
	FrozenAfter     Duration     `toml:"frozen_after" default:"6 h" within:"10 min to 7 days"`
	AheadWithin     Duration     `toml:"ahead_within" default:"1 h" within:"1 min to 12 h"`
	DropNights      int          `toml:"drop_nights" default:"3" within:"1 to 30"`               // 3
	RealarmAfter    Duration     `toml:"realarm_after" default:"30 min" within:"1 min to 1 day"` // an acknowledged wake alarm rings again
	HumidityDue     Duration     `toml:"calibrate_humidity_every" default:"6 months" within:"1 day to 10 years"`
	TemperatureDue  Duration     `toml:"calibrate_temperature_every" default:"12 months" within:"1 day to 10 years"`
}

// MQTT is the broker that carries notices to the phone.
type MQTT struct {
	Broker   string `toml:"broker" address:"tcp,mqtt,ssl,tls,mqtts,ws,wss"` // "tcp://host:1883", "ssl://host:8883"; empty for none
	Username string `toml:"username"`
	// PasswordFile names a file, or a systemd credential when it has no slash.
	PasswordFile string `toml:"password_file"`
	CAFile       string `toml:"ca_file"`
	CertFile     string `toml:"cert_file"`
	KeyFile      string `toml:"key_file"`
	// CommandTokenFile holds the token of commands that nobody signs, of before
	// there were command keys.
	CommandTokenFile string `toml:"command_token_file"`
	// TokenCommands is what the token may do: "answer", "all" or "none"; empty is
	// "answer" while no person has a command key, then "none".
	TokenCommands string   `toml:"token_commands" oneof:",answer,all,none"`
	Heartbeat     Duration `toml:"heartbeat" default:"30 s" within:"5 s to 10 min"`
}

// HTTP is the page, the API and the metrics.
type HTTP struct {
	Listen string `toml:"listen" default:"127.0.0.1:8077"` // "127.0.0.1:8077"; empty for none
	// TokenFile holds a token that opens everything to whoever has it, TokensFile
	// the hashes of tokens with names and rights.
	TokenFile  string `toml:"token_file"`
	TokensFile string `toml:"tokens_file"`
	CertFile   string `toml:"cert_file"`
	KeyFile    string `toml:"key_file"`
	// Proxy is the address of a proxy through which the page is reached: what comes
	// from it is not this board.
	Proxy string `toml:"proxy"`
	// URL is how a phone reaches the page, for links in notices.
	URL string `toml:"url" address:"http,https"`
}

// Store is the record on the card.
type Store struct {
	Dir       string   `toml:"dir" default:"/var/lib/dewline"`
	Batch     Duration `toml:"batch" default:"3 min" within:"1 s to 1 h"` // readings are committed so often
	KeepRaw   Duration `toml:"keep_raw" default:"2 years" within:"1 day to 100 years"`
	MaxMiB    int      `toml:"max_mib"`                              // 0: 4096, on 32-bit boards 256
	KeepTable Duration `toml:"keep_table" within:"0 s to 100 years"` // rollups; 0 keeps them for ever
	// KeepJournal is for how long who did what is kept; 0 keeps it for ever.
	KeepJournal Duration `toml:"keep_journal" within:"0 s to 100 years"`
}

// Person is somebody who receives notices.
type Person struct {
	ID       string   `toml:"id"`
	Name     string   `toml:"name"`
	Channels []string `toml:"channels"` // "mqtt", "mail", or a webhook's id, in order
	MailTo   string   `toml:"mail_to"`
	// CommandKeyFile holds the key that signs this person's commands.
	CommandKeyFile string     `toml:"command_key_file"`
	Quiet          *ClockSpan `toml:"quiet"`                           // holds today notices, never wake
	Units          string     `toml:"units" default:"°C" oneof:"°C,F"` // "°C" or "F"
	// EscalateAfter: an unacknowledged wake notice goes to the next person.
	EscalateAfter Duration `toml:"escalate_after" default:"10 min" within:"1 min to 1 day"`
}

// Mail is the server that mail leaves by.
type Mail struct {
	Host         string `toml:"host"` // empty for no mail
	Port         int    `toml:"port" within:"1 to 65535"`
	Username     string `toml:"username"`
	PasswordFile string `toml:"password_file"`
	From         string `toml:"from"`
	TLS          string `toml:"tls" default:"starttls" oneof:"starttls,implicit,none"`
	CAFile       string `toml:"ca_file"`
}

// Webhook is an address that notices are posted to.
type Webhook struct {
	ID         string            `toml:"id"`
	URL        string            `toml:"url" hidden:"true" address:"https,http"`
	URLFile    string            `toml:"url_file"`               // holds the address, where that is a secret
	SecretFile string            `toml:"secret_file"`            // key of the HMAC-SHA256 signature
	Template   string            `toml:"template" hidden:"true"` // text/template of the body; empty for CloudEvents 1.0 JSON
	MediaType  string            `toml:"media_type"`
	Headers    map[string]string `toml:"headers" hidden:"true"`
	// HeaderFiles are headers whose values stand in files.
	HeaderFiles map[string]string `toml:"header_files"`
}

// Summary is the weekly mail.
type Summary struct {
	Weekday string    `toml:"weekday" default:"monday" oneof:"sunday,monday,tuesday,wednesday,thursday,friday,saturday"`
	At      ClockTime `toml:"at" default:"07:00"`
}

// Outside is an address that is told regularly that dewline lives.
type Outside struct {
	URL     string   `toml:"url" hidden:"true" address:"https,http"`
	URLFile string   `toml:"url_file"` // holds the address, where that is a secret
	Every   Duration `toml:"every" default:"1 min" within:"10 s to 1 day"`
}

// Sounder is what sounds or shines in the room where nothing else works: a GPIO
// line or an LED of the kernel.
type Sounder struct {
	Chip      string `toml:"chip"` // "/dev/gpiochip0"; with line
	Line      int    `toml:"line"`
	ActiveLow bool   `toml:"active_low"`
	LED       string `toml:"led"`                                               // its name in /sys/class/leds
	When      string `toml:"when" default:"unreached" oneof:"unreached,always"` // or "always", for each unanswered wake notice
}

// InUse reports whether there is a sounder.
func (s Sounder) InUse() bool { return s.Chip+s.LED != "" }

// Drill is the test notice that somebody must acknowledge.
type Drill struct {
	Every Duration `toml:"every" default:"1 month" within:"0 s to 1 year"` // 0 for no reminder
}

// Sentinel is what `dewline sentinel` watches from a second machine.
type Sentinel struct {
	Rooms        []string `toml:"rooms"`                                                 // ids of the rooms to watch
	SilentAfter  Duration `toml:"silent_after" default:"90 s" within:"10 s to 1 day"`    // without a heartbeat
	ClockWithin  Duration `toml:"clock_within" default:"2 min" within:"5 s to 1 day"`    // that a room's clock may be off
	StalledAfter Duration `toml:"stalled_after" default:"10 min" within:"10 s to 1 day"` // that a notice may wait undelivered
}

// LampsOf returns the lamp schedule of e; false where it has none.
func (c *Config) LampsOf(e Enclosure) (Lamps, bool) {
	return find(c.Lamps, func(l Lamps) bool { return e.Lamps != "" && l.ID == e.Lamps })
}

// MistOf returns the misting schedule of e; false where it has none.
func (c *Config) MistOf(e Enclosure) (Mist, bool) {
	return find(c.Mists, func(m Mist) bool { return e.Mist != "" && m.ID == e.Mist })
}

// ProbesOf returns the probes of the enclosure with that id, in file order.
func (c *Config) ProbesOf(enclosureID string) []Probe {
	var own []Probe
	for i := range c.Probes {
		if enclosureID != "" && c.Probes[i].Enclosure == enclosureID {
			own = append(own, c.Probes[i])
		}
	}
	return own
}

// Sense is what a contact is about, and so what it means that it is active.
type Sense string

// The senses.
const (
	SenseMains     Sense = "mains"     // active: the mains are there
	SensePump      Sense = "pump"      // active: the mist pump runs
	SenseReservoir Sense = "reservoir" // active: the reservoir is low
	SenseDoor      Sense = "door"      // active: the door of an enclosure is open
	SenseBattery   Sense = "battery"   // no contact but a figure: a node's battery
)

var senses = []string{string(SenseMains), string(SensePump), string(SenseReservoir), string(SenseDoor), string(SenseBattery)}

// Contact is a line or a value of a node that tells one fact.
type Contact struct {
	ID string `toml:"id"`
	Is Sense  `toml:"is" oneof:"mains,pump,reservoir,door,battery"`
	// A line of a GPIO chip.
	Chip string `toml:"chip"` // "/dev/gpiochip0"
	Line int    `toml:"line"`
	Bias string `toml:"bias" oneof:"pull-up,pull-down,none"` // "pull-up", "pull-down", "none"; empty leaves it as it is
	// Or a node's message: true, false or a number at a JSON pointer.
	Topic       string   `toml:"topic"`
	Pointer     string   `toml:"pointer"` // RFC 6901
	TimePointer string   `toml:"time_pointer"`
	MaxAge      Duration `toml:"max_age" default:"5 min" within:"1 s to 1 day"` // 3 messages of the node
	// ActiveLow turns a line, or true and false, around.
	ActiveLow bool     `toml:"active_low"`
	Debounce  Duration `toml:"debounce" default:"1 s" within:"0 s to 1 min"` // a state counts once it has held for so long
	// Serves names the enclosures that it is about; empty for the whole room.
	Serves []string `toml:"serves"`
	// Mist is the [[mist]] that a pump or a reservoir feeds; empty for all.
	Mist string `toml:"mist"`
	// Low is the charge at which a battery is low.
	Low Charge `toml:"low"`
}

// About reports whether a contact is about an enclosure.
func (c *Contact) About(enclosure string) bool {
	return len(c.Serves) == 0 || slices.Contains(c.Serves, enclosure)
}
