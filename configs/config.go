package configs

import "time"

// Config is one room as the keeper describes it. Its fields are the sections of the
// file, and so more than other types have.
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
	ID       string   `toml:"id"`   // used in topics: a-z, 0-9, hyphen
	Name     string   `toml:"name"` // for people
	Timezone string   `toml:"timezone"`
	Poll     Duration `toml:"poll"` // grid on which every probe is read; 10 s
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
	Place     Place  `toml:"place"`
	Enclosure string `toml:"enclosure"` // empty for room and outside
	// Rack and Shelf say where a probe in the room hangs; empty and 0 for
	// nowhere in particular.
	Rack       string   `toml:"rack"`
	Shelf      int      `toml:"shelf"`
	Bus        string   `toml:"bus"`         // "/dev/i2c-1"
	Address    int      `toml:"address"`     // 0x44
	MuxAddress int      `toml:"mux_address"` // 0 for none
	MuxChannel int      `toml:"mux_channel"`
	Path       string   `toml:"path"`   // w1 or IIO/hwmon directory
	Budget     Duration `toml:"budget"` // longest a reading may take; 2 s
	// A remote node: topic and where in its JSON each quantity stands.
	Topic              string   `toml:"topic"`
	TemperaturePointer string   `toml:"temperature_pointer"` // JSON pointer, RFC 6901
	TemperatureUnit    string   `toml:"temperature_unit"`    // "°C" or "F"
	HumidityPointer    string   `toml:"humidity_pointer"`
	HumidityUnit       string   `toml:"humidity_unit"` // "%" or "ratio"
	TimePointer        string   `toml:"time_pointer"`  // optional: RFC 3339, or seconds or milliseconds since 1970
	MaxAge             Duration `toml:"max_age"`       // 3 polls of the node; default 5 min
	// Heater pulses against creep; zero for none.
	HeaterEvery Duration `toml:"heater_every"`
	// FloorProbe makes this probe the one that the humidity floor is judged on.
	FloorProbe bool `toml:"floor_probe"`
	// Measures is what probes of this family can deliver, set by Decode.
	Measures Measures `toml:"-"`
}

// Measures is what a probe can deliver of what enclosures are judged by.
type Measures struct{ Temperature, Humidity bool }

// Stage is a stage of life.
type Stage string

// The stages.
const (
	Egg     Stage = "egg"
	Tadpole Stage = "tadpole"
	Froglet Stage = "froglet"
	Adult   Stage = "adult"
)

// Enclosure is one planted glass enclosure.
type Enclosure struct {
	ID      string `toml:"id"`
	Name    string `toml:"name"`
	Rack    string `toml:"rack"`
	Shelf   int    `toml:"shelf"`
	Slot    int    `toml:"slot"`
	Species string `toml:"species"`
	Stage   Stage  `toml:"stage"`
	// OutOfWater is when the youngest froglets left the water; zero for unknown.
	OutOfWater Date   `toml:"out_of_water"`
	Volume     Litres `toml:"volume"`
	Animals    int    `toml:"animals"`
	Lamps      string `toml:"lamps"` // id of a [[lamps]] section
	Mist       string `toml:"mist"`  // id of a [[mist]] section
	// Overrides of the species' limits for this enclosure; nil keeps them.
	Lethal *Celsius `toml:"ceiling"`
	Floor  *Percent `toml:"floor"`
}

// Lamps is a photoperiod: when a set of lamps is on.
type Lamps struct {
	ID string    `toml:"id"`
	On ClockSpan `toml:"on"`
}

// Mist is a misting schedule.
type Mist struct {
	ID    string      `toml:"id"`
	Times []ClockTime `toml:"times"`
	// Longest a pulse runs before it counts as endless; 15 min.
	Longest Duration `toml:"longest"`
	// Supply groups enclosures fed by one pump; empty means the schedule's id.
	Supply string `toml:"supply"`

	seasons []Season // with times of their own
}

// Species is one entry of the species table. All limits are defaults and not
// veterinary advice; each can be overridden. Its fields are the keys of a
// [[species]] section, and so more than other types have.
type Species struct {
	ID   string `toml:"id"`
	Name string `toml:"name"`
	Day  Band   `toml:"day"`
	// Night is the wanted band while the lamps are off.
	Night Band `toml:"night"`
	// Tolerated is no excursion at any hour; zero for none.
	Tolerated Band `toml:"tolerated"`
	// DropMin is the least wanted fall from lamp-on to lamp-off medians. How cold
	// a night may be is for the night band: DropMax of older files is not judged.
	DropMin CelsiusDelta `toml:"drop_min"`
	DropMax CelsiusDelta `toml:"drop_max"`
	// Floor is the humidity that must be kept; below Dry it is urgent.
	Floor Percent `toml:"floor"`
	Dry   Percent `toml:"dry"`
	// Warn, Act and Lethal are the three heat limits: worth a look, act now,
	// lethal. Each is reached at the value itself.
	Warn   Celsius `toml:"warn"`
	Act    Celsius `toml:"act"`
	Lethal Celsius `toml:"ceiling"`
	// Cool and Cold are the two lower limits: worth a look, act now.
	Cool Celsius `toml:"cool"`
	Cold Celsius `toml:"cold"`
	// Exposure: dose counts above Boundary with ten times the weight per
	// TenfoldPer; the reference is ReferenceTime at ReferenceTemp.
	Boundary      Celsius      `toml:"exposure_boundary"`
	ReferenceTemp Celsius      `toml:"exposure_reference"`
	ReferenceTime Duration     `toml:"exposure_time"`
	TenfoldPer    CelsiusDelta `toml:"exposure_tenfold"`
	// Company is how adults live together; Space is what each of them needs, 0
	// for unknown.
	Company Company `toml:"company"`
	Space   Litres  `toml:"space"`
	// EggFeeder: its tadpoles live in leaf axils, in the adults' climate.
	EggFeeder bool `toml:"egg_feeder"`
	// Source says where the keeper's own limits come from.
	Source string `toml:"source"`

	grades [numCells]Grade
}

// Company is how the adults of a species live together.
type Company string

// The companies.
const (
	Pairs  Company = "pair"
	Groups Company = "group"
)

// Rules are the editable numbers that hold for every enclosure.
type Rules struct {
	BandOnDelay     Duration     `toml:"band_on_delay"`   // 30 min
	BandOffDelay    Duration     `toml:"band_off_delay"`  // 10 min
	BandDeadband    CelsiusDelta `toml:"band_deadband"`   // 0.5 °C
	BandSettle      Duration     `toml:"band_settle"`     // after lamps change, the wider band holds so long; 3 h
	FloorOnDelay    Duration     `toml:"floor_on_delay"`  // 10 min
	FloorOffDelay   Duration     `toml:"floor_off_delay"` // 5 min
	FloorDeadband   Percent      `toml:"floor_deadband"`  // 3 %
	FloorLessUncert bool         `toml:"floor_minus_uncertainty"`
	DoorExcuse      Duration     `toml:"door_excuse"`                 // 30 min
	SilentAfter     Duration     `toml:"silent_after"`                // 3 polls, at least 30 s
	FrozenAfter     Duration     `toml:"frozen_after"`                // 6 h
	AheadWithin     Duration     `toml:"ahead_within"`                // 60 min
	DropNights      int          `toml:"drop_nights"`                 // 3
	RealarmAfter    Duration     `toml:"realarm_after"`               // an acknowledged wake alarm rings again; 30 min
	HumidityDue     Duration     `toml:"calibrate_humidity_every"`    // 6 months
	TemperatureDue  Duration     `toml:"calibrate_temperature_every"` // 12 months
}

// MQTT is the broker that carries notices to the phone.
type MQTT struct {
	Broker   string `toml:"broker"` // "tcp://host:1883", "ssl://host:8883"; empty for none
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
	TokenCommands string   `toml:"token_commands"`
	Heartbeat     Duration `toml:"heartbeat"` // 30 s
}

// HTTP is the page, the API and the metrics.
type HTTP struct {
	Listen string `toml:"listen"` // "127.0.0.1:8077"; empty for none
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
	URL string `toml:"url"`
}

// Store is the record on the card.
type Store struct {
	Dir       string   `toml:"dir"`        // "/var/lib/dewline"
	Batch     Duration `toml:"batch"`      // readings are committed so often; 180 s
	KeepRaw   Duration `toml:"keep_raw"`   // 2 years
	MaxMiB    int      `toml:"max_mib"`    // 0: 4096, on 32-bit boards 256
	KeepTable Duration `toml:"keep_table"` // rollups; 0 keeps them for ever
	// KeepJournal is for how long who did what is kept; 0 keeps it for ever.
	KeepJournal Duration `toml:"keep_journal"`
}

// Person is somebody who receives notices.
type Person struct {
	ID       string   `toml:"id"`
	Name     string   `toml:"name"`
	Channels []string `toml:"channels"` // "mqtt", "mail", or a webhook's id, in order
	MailTo   string   `toml:"mail_to"`
	// CommandKeyFile holds the key that signs this person's commands.
	CommandKeyFile string     `toml:"command_key_file"`
	Quiet          *ClockSpan `toml:"quiet"` // holds today notices, never wake
	Units          string     `toml:"units"` // "°C" or "F"
	// EscalateAfter: an unacknowledged wake notice goes to the next person.
	EscalateAfter Duration `toml:"escalate_after"` // 10 min
}

// Mail is the server that mail leaves by.
type Mail struct {
	Host         string `toml:"host"` // empty for no mail
	Port         int    `toml:"port"`
	Username     string `toml:"username"`
	PasswordFile string `toml:"password_file"`
	From         string `toml:"from"`
	TLS          string `toml:"tls"` // "starttls" (default), "implicit", "none"
	CAFile       string `toml:"ca_file"`
}

// Webhook is an address that notices are posted to.
type Webhook struct {
	ID         string            `toml:"id"`
	URL        string            `toml:"url" hidden:"true"`
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
	Weekday string    `toml:"weekday"` // "monday"
	At      ClockTime `toml:"at"`      // 07:00
}

// Outside is an address that is told regularly that dewline lives.
type Outside struct {
	URL     string   `toml:"url" hidden:"true"`
	URLFile string   `toml:"url_file"` // holds the address, where that is a secret
	Every   Duration `toml:"every"`    // 60 s
}

// Sounder is what sounds or shines in the room where nothing else works: a GPIO
// line or an LED of the kernel.
type Sounder struct {
	Chip      string `toml:"chip"` // "/dev/gpiochip0"; with line
	Line      int    `toml:"line"`
	ActiveLow bool   `toml:"active_low"`
	LED       string `toml:"led"`  // its name in /sys/class/leds
	When      string `toml:"when"` // "unreached" (default), or "always" for each unanswered wake notice
}

// InUse reports whether there is a sounder.
func (s Sounder) InUse() bool { return s.Chip+s.LED != "" }

// Drill is the test notice that somebody must acknowledge.
type Drill struct {
	Every Duration `toml:"every"` // 30 days; 0 for no reminder
}

// Sentinel is what `dewline sentinel` watches from a second machine.
type Sentinel struct {
	Rooms        []string `toml:"rooms"`         // ids of the rooms to watch
	SilentAfter  Duration `toml:"silent_after"`  // 90 s without a heartbeat
	ClockWithin  Duration `toml:"clock_within"`  // 2 min that a room's clock may be off
	StalledAfter Duration `toml:"stalled_after"` // 10 min that a notice may wait undelivered
}
