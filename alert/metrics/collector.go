// Package metrics shows a snapshot of the daemon in the text formats of
// Prometheus and OpenMetrics. It holds one collector that builds its metrics at
// each scrape; it keeps no figures of its own, and a scrape can delay nothing
// but itself.
//
// Names begin with dewline_ and values are in base units: degrees Celsius,
// ratios from 0 to 1, pascals, seconds. A probe that delivers nothing has no
// temperature series: its last value is never repeated. What lasts is the time
// of its last good reading.
package metrics

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
)

// A Collector implements prometheus.Collector over snapshots. It describes nothing
// beforehand: what there is depends on the snapshot.
type Collector struct {
	snapshot func() *alert.Snapshot

	mu    sync.Mutex // guards descs
	descs map[string]*prometheus.Desc
}

var _ prometheus.Collector = (*Collector)(nil)

// New returns a collector of what snapshot returns at each scrape; nil means
// that there is nothing yet.
func New(snapshot func() *alert.Snapshot) *Collector {
	return &Collector{snapshot: snapshot, descs: map[string]*prometheus.Desc{}}
}

// Describe sends nothing.
func (c *Collector) Describe(chan<- *prometheus.Desc) {}

// Collect sends the metrics of the newest snapshot.
func (c *Collector) Collect(ch chan<- prometheus.Metric) {
	for _, p := range c.Parts() {
		p.Collect(ch)
	}
}

// Parts are collectors of one snapshot, the newest, which share no name: who gathers one
// after another never holds all that there is of many enclosures.
func (c *Collector) Parts() (parts []prometheus.Collector) {
	s := c.snapshot()
	if s == nil {
		return nil
	}
	for _, send := range [...]func(sender, *alert.Snapshot){sender.room, sender.enclosures, sender.probes, sender.contacts,
		sender.alarms, sender.delivery, sender.record, sender.buses, sender.polls} {
		parts = append(parts, part{c, s, send})
	}
	return parts
}

// A part of a snapshot's metrics.
type part struct {
	c    *Collector
	s    *alert.Snapshot
	send func(sender, *alert.Snapshot)
}

func (p part) Describe(chan<- *prometheus.Desc) {}

func (p part) Collect(ch chan<- prometheus.Metric) {
	p.c.mu.Lock()
	defer p.c.mu.Unlock()
	p.send(sender{c: p.c, ch: ch}, p.s)
}

// A sender makes metrics that share some labels, and what these take up: of 500 enclosures
// there are 25,000 values at a time.
type sender struct {
	c      *Collector
	ch     chan<- prometheus.Metric
	labels []*dto.LabelPair // by name
}

// of adds labels: name, value, name, value.
func (m sender) of(labels ...string) sender {
	m.labels = slices.Clone(m.labels)
	for pair := range slices.Chunk(labels, 2) {
		m.labels = append(m.labels, &dto.LabelPair{Name: &pair[0], Value: &pair[1]})
	}
	slices.SortFunc(m.labels, func(a, b *dto.LabelPair) int { return strings.Compare(*a.Name, *b.Name) })
	return m
}

// put sends one value, with further labels. One that is no number is unknown and
// left out. What a name says is said once, at its first value.
func (m sender) put(name, help string, v float64, more ...string) {
	if math.IsNaN(v) {
		return
	}
	if len(more) > 0 {
		m = m.of(more...)
	}
	desc := m.c.descs[name]
	if desc == nil {
		desc = prometheus.NewDesc("dewline_"+name, help, nil, nil)
		m.c.descs[name] = desc
	}
	m.ch <- &sample{desc: desc, labels: m.labels, value: v, counter: strings.HasSuffix(name, "_total")}
}

type sample struct {
	desc    *prometheus.Desc
	labels  []*dto.LabelPair
	value   float64
	counter bool
}

func (s *sample) Desc() *prometheus.Desc { return s.desc }

func (s *sample) Write(out *dto.Metric) error {
	if out.Label = s.labels; s.counter {
		out.Counter = &dto.Counter{Value: &s.value}
	} else {
		out.Gauge = &dto.Gauge{Value: &s.value}
	}
	return nil
}

// when is v where it is known, else no number.
func when(known bool, v float64) float64 {
	if !known {
		return math.NaN()
	}
	return v
}

// maybe is what of makes of v, no number where there is none.
func maybe[T any](v *T, of func(T) float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return of(*v)
}

func plain(v rules.Tenth) float64 { return float64(v) }

func spent(v rules.Seconds) float64 { return v.D().Seconds() }

// stamp is a wall time in seconds since 1970, no number where it is unset.
func stamp(t time.Time) float64 { return when(!t.IsZero(), float64(t.UnixNano())/1e9) }

func bit(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func (m sender) room(s *alert.Snapshot) {
	m.put("build_info", "The running version.", 1, "version", s.Version)
	m.put("clock_synchronised", "1 while the board's clock is set from outside.", bit(s.At.Synced))
	m.put("cycles_total", "Completed rounds of readings and rules.", float64(s.Cycle))
	m.put("last_cycle_timestamp_seconds", "When the last round of readings and rules was completed.", stamp(s.CycleAt))
	m.put("config_loaded_timestamp_seconds", "When the configuration in force was read.", stamp(s.ConfigLoaded))
	m.put("config_last_load_successful", "0 while the file has faults and an earlier configuration is in force.", bit(s.ConfigRefused == ""))
}

func (m sender) enclosures(s *alert.Snapshot) {
	for i := range s.Enclosures {
		m.of("enclosure", s.Enclosures[i].ID).enclosure(&s.Enclosures[i])
	}
}

func (m sender) probes(s *alert.Snapshot) {
	for i := range s.Probes {
		m.probe(&s.Probes[i])
	}
}

func (m sender) contacts(s *alert.Snapshot) {
	for i := range s.Contacts {
		m.contact(&s.Contacts[i])
	}
}

func (m sender) enclosure(e *rules.EnclosureView) {
	m.put("enclosure_info", "Name, place and inhabitants of an enclosure, to be joined by its id.",
		1, "name", e.Name, "rack", e.Rack, "shelf", strconv.Itoa(e.Shelf), "slot", strconv.Itoa(e.Slot), "species", e.Species, "stage", e.Stage)
	m.put("temperature_celsius", "Air temperature of an enclosure: of its hottest trustworthy probe, on which heat is judged.",
		when(e.Temperature.Known, e.Temperature.Value))
	m.put("hottest_celsius", "The same as temperature_celsius.", when(e.Temperature.Known, e.Temperature.Value))
	m.put("humidity_ratio", "Relative humidity of an enclosure, 0 to 1.", when(e.Humidity.Known, e.Humidity.Value/100))
	m.put("humidity_uncertainty_ratio", "Stated uncertainty of an enclosure's humidity, 0 to 1.",
		when(e.Humidity.Known && e.Humidity.Uncertainty > 0, e.Humidity.Uncertainty/100))
	m.put("dew_point_celsius", "Dew point of an enclosure's air.", maybe(e.DewPoint, plain))
	m.put("vapour_pressure_deficit_pascals", "Vapour pressure deficit of an enclosure's air.", maybe(e.VPD, plain))
	m.put("band_low_celsius", "Lower end of the temperature band in force.", e.BandLow)
	m.put("band_high_celsius", "Upper end of the temperature band in force.", e.BandHigh)
	m.put("humidity_floor_ratio", "Humidity that must be kept, 0 to 1.", e.Floor/100)
	m.put("ceiling_celsius", "Lethal limit in force.", e.Lethal)
	m.put("exposure_ratio", "Heat dose as a share of the keeper's heat limit; no measure of safety.", float64(e.Exposure))
	m.put("temperature_slope_celsius_per_second", "Present trend of an enclosure's temperature.", maybe(e.RatePerHour, plain)/3600)
	if e.ToLethal != nil {
		for bound, minutes := range map[string]float64{"earliest": e.ToLethal.FromMinutes, "latest": e.ToLethal.ToMinutes} {
			m.put("time_to_ceiling_seconds", "Forecast time until the lethal limit; absent where none is forecast.", minutes*60, "bound", bound)
		}
	}
	m.put("lamps_scheduled_on", "1 while the schedule has the lamps on.", maybe(e.LampsOn, bit))
	m.put("mist_pulse_age_seconds", "Time since the last mist pulse that was seen.", maybe(e.LastMist, spent))
	m.put("mist_pulses_missed", "Scheduled mist pulses in a row that were not seen.", float64(e.MissedMists))
	m.put("dry_down_half_life_seconds", "Half-life of the dry-down after a mist pulse, the middle of the last three.", maybe(e.DryDown, spent))
	m.put("night_drop_celsius", "Fall from lamp-on to lamp-off medians in the last whole night.", maybe(e.NightDrop, plain))
	m.put("nights_without_drop", "Nights in a row without the fall in temperature that is wanted.", float64(e.NightsNoDrop))
	m.put("enclosure_blind", "1 while no probe of the enclosure delivers.", bit(e.Blind))
	m.put("enclosure_out_of_service", "1 while a person has taken the enclosure out of service.", bit(e.OutOfService))
}

func (m sender) probe(p *rules.ProbeView) {
	id := m.of("probe", p.ID)
	m = id.of("enclosure", p.Enclosure, "place", p.Place)
	m.put("probe_up", "1 while a probe answers, be it with values that are doubted.", bit(p.Fresh))
	switch t := p.Temperature; {
	case !p.Fresh || t == nil:
	case p.TemperatureDoubt != "":
		m.put("probe_doubted_temperature_celsius", "Present temperature of a probe that is not trusted, with the reason.", *t, "reason", p.TemperatureDoubt)
	default:
		m.put("probe_temperature_celsius", "Last good temperature of a probe that delivers one.", *t)
	}
	switch h := p.Humidity; {
	case !p.Fresh || h == nil:
	case p.HumidityDoubt != "":
		m.put("probe_doubted_humidity_ratio", "Present relative humidity of a probe that is not trusted, such as one that is wet, 0 to 1.", *h/100, "reason", p.HumidityDoubt)
	default:
		m.put("probe_humidity_ratio", "Last good relative humidity of a probe that delivers, 0 to 1.", *h/100)
		m.put("probe_humidity_uncertainty_ratio", "Stated uncertainty of a probe's humidity: data sheet, calibration and time in wet air, 0 to 1.",
			when(p.Uncertainty > 0, plain(p.Uncertainty)/100))
	}
	m.put("probe_illuminance_lux", "Last good illuminance of a probe that delivers.", when(p.Fresh, maybe(p.LightLux, func(lux uint32) float64 { return float64(lux) })))
	m.put("probe_last_success_timestamp_seconds", "When a probe last gave a good reading.", stamp(p.LastGood.Wall))
	id.put("probe_readings_total", "Readings of a probe, of any quality.", float64(p.Readings))
	for reason, n := range p.Counts {
		id.put("probe_doubts_total", "Suspect and bad readings of a probe by reason.", float64(n), "reason", reason)
	}
	for quantity, at := range map[string]*time.Time{"humidity": p.HumidityDue, "temperature": p.TemperatureDue} {
		id.put("probe_calibration_due_timestamp_seconds", "When a probe is next to be calibrated.", maybe(at, stamp), "quantity", quantity)
	}
}

// alarmStates are the states of the state set, in the standard's order.
var alarmStates = [...]alarm.State{
	alarm.Norm, alarm.Unack, alarm.Acked, alarm.RTNUN, alarm.LatchUnack, alarm.LatchAck,
	alarm.Shelved, alarm.Suppressed, alarm.OutOfService,
}

// contact sends nothing of what is not known.
func (m sender) contact(v *rules.ContactView) {
	m = m.of("contact", v.ID)
	m.put("contact_known", "1 while it is known what a contact says.", bit(v.Known), "is", v.Is)
	m.put("contact_active", "1 while the mains are there, the pump runs, the reservoir or the battery is low, the door is open; absent where that is not known.",
		maybe(v.Active, bit), "is", v.Is)
	m.put("contact_battery", "Charge of a node's battery, in the unit of its section.", maybe(v.Value, func(v float64) float64 { return v }), "unit", v.Unit)
}

func (m sender) alarms(s *alert.Snapshot) {
	for _, a := range s.Alarms {
		for _, st := range alarmStates {
			m.put("alarm_state", "State of an alarm that is not normal, one of the states of IEC 62682.",
				bit(a.State == st), "alarm", string(a.Key.Alarm), "subject", a.Key.Subject, "priority", a.Priority.String(), "state", st.String())
		}
	}
	k := &s.KPI
	m.put("alarms_per_day", "Alarms a day, mean of at most 30 days.", float64(k.PerDay))
	m.put("alarm_floods", "Times with more than 10 alarms in 10 minutes, since the alarms are counted.", float64(k.Floods))
	m.put("alarm_flood_seconds", "Time spent in floods of alarms, since they are counted.", spent(k.FloodTime))
	m.put("alarms_stale", "Alarms active for more than 24 hours.", float64(len(k.Stale)))
	m.put("alarms_chattering", "Alarms that come and go quickly.", float64(len(k.Chattering)))
	m.put("alarms_shelved", "Alarms put away by a person.", float64(k.Shelved))
	m.put("alarms_unacknowledged", "Alarms that nobody has acknowledged.", float64(k.Unacknowledged))
	m.put("alarm_acknowledge_mean_seconds", "Mean time to acknowledgement, since the alarms are counted.", spent(k.MeanAcknowledge))
	m.put("alarm_acknowledge_max_seconds", "Longest time to acknowledgement, since the alarms are counted.", spent(k.MaxAcknowledge))
	m.put("alarms_unknown", "Open alarms that cannot be evaluated at present.", float64(k.Unknown))
	for _, w := range k.Worst {
		m := m.of("alarm", string(w.Key.Alarm), "subject", w.Key.Subject)
		m.put("alarm_raised_total", "How often each of the ten most frequent alarms was raised.", float64(w.Count))
		if said := words.Fact(w.Suggestion, unit.Celsius); said != "" {
			m.put("alarm_suggestion_info", "What would have kept a frequent alarm from being raised again and again, to be joined by alarm and subject.",
				1, "suggestion", said)
		}
	}
}

func (m sender) delivery(s *alert.Snapshot) {
	d := &s.Delivery
	m.put("outbox_deliveries", "Messages that no channel has taken over yet.", float64(d.Depth))
	m.put("outbox_oldest_age_seconds", "Age of the oldest message that is due and not taken over.", spent(d.OldestAge))
	m.put("outbox_dropped_total", "Messages given up because the outbox was full; never wake notices.", float64(d.Dropped))
	m.put("wake_notices_unacknowledged", "Wake notices that nobody has acknowledged.", float64(d.OpenWake))
	for name, ch := range d.Channels {
		m := m.of("channel", name)
		m.put("channel_sent_total", "Messages that a channel took over.", float64(ch.Taken))
		m.put("channel_failed_total", "Failed attempts of a channel.", float64(ch.Failed))
		m.put("channel_last_success_timestamp_seconds", "When a channel last took a message over.", stamp(ch.LastSuccess.Wall))
		m.put("channel_stalled", "1 while a channel takes nothing over.", bit(slices.Contains(s.Delivery.Stalled, name)))
		m.put("channel_connected", "1 while a channel has its connection, or its server answered at the last look; 0 from the start until then.", maybe(ch.Connected, bit))
	}
	if dr := s.Drill; dr != nil {
		m.put("drill_last_timestamp_seconds", "When the last drill was begun.", stamp(dr.At.Wall))
		m.put("drill_acknowledge_seconds", "Time until the last drill was acknowledged.", when(dr.Acked, dr.AckedIn))
	}
}

func (m sender) record(s *alert.Snapshot) {
	r := &s.Record
	m.put("record_ok", "1 while the record is being written.", bit(s.Recording))
	m.put("record_bytes", "Size of the record's file.", float64(r.FileBytes))
	m.put("record_limit_bytes", "Size that the record may grow to.", float64(r.CapBytes))
	m.put("record_unwritten_readings", "Readings that a power cut would lose now.", float64(r.Unwritten))
	m.put("record_lost_readings_total", "Readings lost because the card refused for too long.", float64(r.Lost))
	m.put("record_commits_total", "Transactions and batches of readings since the start.", float64(r.Commits))
	m.put("record_errors_total", "Failed transactions since the start.", float64(r.Errors))
	m.put("record_damaged_total", "Entries refused because their checksum was wrong.", float64(r.Damaged))
	m.put("record_written_bytes_total", "Bytes handed to the card since the start.", float64(r.BytesWritten))
	m.put("record_last_commit_timestamp_seconds", "When the record was last written.", stamp(r.LastCommit))
}

func (m sender) buses(s *alert.Snapshot) {
	for _, b := range s.Buses {
		m := m.of("bus", b.Bus)
		m.put("bus_rounds_total", "Completed rounds of a bus.", float64(b.Rounds))
		m.put("bus_overruns_total", "Polls skipped because a round took too long.", float64(b.Overruns))
		m.put("bus_hung", "1 while a call to the bus does not come back.", bit(b.Hung != ""))
	}
}

func (m sender) polls(s *alert.Snapshot) {
	for _, p := range s.Polls {
		m := m.of("probe", string(p.Probe))
		m.put("poll_duration_seconds", "How long the last reading of a probe took.", p.Took.Seconds(), "bus", p.Bus)
		m.put("poll_late_total", "Readings that came back after their time was up.", float64(p.Late), "bus", p.Bus)
		for quality, n := range map[sensors.Quality]uint64{sensors.Good: p.Good, sensors.Suspect: p.Suspect, sensors.Bad: p.Bad} {
			m.put("poll_readings_total", "Polled readings by quality.", float64(n), "quality", quality.String())
		}
		m.put("probe_heater_pulses_total", "Heater pulses of a probe against creep; readings are inhibited until it has cooled.", float64(p.Events.HeaterPulses))
		m.put("probe_restarts_total", "Restarts of a probe's chip, by itself or after faults.", float64(p.Events.Restarts))
		m.put("probe_replaced_total", "Times that another chip answered in the place of a probe.", float64(p.Events.Replaced))
	}
}
