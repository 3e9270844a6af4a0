package metrics

import (
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A Collector implements prometheus.Collector over snapshots.
type Collector struct {
	snapshot func() *alert.Snapshot
	d        descs
}

var _ prometheus.Collector = (*Collector)(nil)

// New returns a collector of what snapshot returns at each scrape; nil means
// that there is nothing yet.
func New(snapshot func() *alert.Snapshot) *Collector {
	return &Collector{snapshot: snapshot, d: newDescs()}
}

// Describe sends every description.
func (c *Collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range c.d.all() {
		ch <- d
	}
}

// Collect sends the metrics of the newest snapshot.
func (c *Collector) Collect(ch chan<- prometheus.Metric) {
	s := c.snapshot()
	if s == nil {
		return
	}
	out := sender{ch}
	c.room(out, s)
	for i := range s.Enclosures {
		c.enclosure(out, &s.Enclosures[i])
	}
	for i := range s.Probes {
		c.probe(out, &s.Probes[i])
	}
	c.alarms(out, s)
	c.delivery(out, s)
	c.record(out, s)
	c.polls(out, s)
}

// A sender makes metrics from descriptions and values.
type sender struct{ ch chan<- prometheus.Metric }

func (s sender) gauge(d *prometheus.Desc, v float64, labels ...string) {
	s.ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
}

func (s sender) counter(d *prometheus.Desc, v float64, labels ...string) {
	s.ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, v, labels...)
}

// optional sends v unless it is unknown.
func (s sender) optional(d *prometheus.Desc, v *float64, labels ...string) {
	if v != nil {
		s.gauge(d, *v, labels...)
	}
}

// stamp sends a wall time in seconds since 1970 unless it is unset.
func (s sender) stamp(d *prometheus.Desc, t time.Time, labels ...string) {
	if !t.IsZero() {
		s.gauge(d, float64(t.UnixNano())/1e9, labels...)
	}
}

func bit(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func (c *Collector) room(out sender, s *alert.Snapshot) {
	out.gauge(c.d.build, 1, s.Version)
	out.gauge(c.d.clock, bit(s.At.Synced))
	out.counter(c.d.cycles, float64(s.Cycle))
	out.stamp(c.d.cycleAt, s.CycleAt)
	out.stamp(c.d.configAt, s.ConfigLoaded)
	out.gauge(c.d.configOK, bit(s.ConfigRefused == ""))
}

func (c *Collector) enclosure(out sender, e *rules.EnclosureView) {
	out.gauge(c.d.info, 1, e.ID, e.Name, e.Rack, strconv.Itoa(e.Shelf), strconv.Itoa(e.Slot), e.Species, e.Stage)
	c.measure(out, c.d.temperature, e.Temperature, 1, e.ID)
	c.measure(out, c.d.hottest, e.Hottest, 1, e.ID)
	c.measure(out, c.d.humidity, e.Humidity, 0.01, e.ID)
	if e.Humidity.Known && e.Humidity.Uncertainty > 0 {
		out.gauge(c.d.humidityUncertainty, e.Humidity.Uncertainty/100, e.ID)
	}
	out.optional(c.d.dewPoint, e.DewPoint, e.ID)
	out.optional(c.d.vpd, e.VPD, e.ID)
	out.gauge(c.d.bandLow, e.BandLow, e.ID)
	out.gauge(c.d.bandHigh, e.BandHigh, e.ID)
	out.gauge(c.d.floor, e.Floor/100, e.ID)
	out.gauge(c.d.ceiling, e.Lethal, e.ID)
	out.gauge(c.d.exposure, e.Exposure, e.ID)
	if e.RatePerHour != nil {
		out.gauge(c.d.slope, *e.RatePerHour/3600, e.ID)
	}
	if e.ToLethal != nil {
		out.gauge(c.d.toLethal, e.ToLethal.FromMinutes*60, e.ID, "earliest")
		out.gauge(c.d.toLethal, e.ToLethal.ToMinutes*60, e.ID, "latest")
	}
	if e.LampsOn != nil {
		out.gauge(c.d.lamps, bit(*e.LampsOn), e.ID)
	}
	if e.LastMist != nil {
		out.gauge(c.d.mistAge, e.LastMist.Seconds(), e.ID)
	}
	out.gauge(c.d.mistsMissed, float64(e.MissedMists), e.ID)
	if e.DryDown != nil {
		out.gauge(c.d.dryDown, e.DryDown.Seconds(), e.ID)
	}
	out.optional(c.d.nightDrop, e.NightDrop, e.ID)
	out.gauge(c.d.nightsNoDrop, float64(e.NightsNoDrop), e.ID)
	out.gauge(c.d.blind, bit(e.Blind), e.ID)
	out.gauge(c.d.outOfService, bit(e.OutOfService), e.ID)
}

func (c *Collector) measure(out sender, d *prometheus.Desc, m rules.Measure, scale float64, labels ...string) {
	if m.Known {
		out.gauge(d, m.Value*scale, labels...)
	}
}

func (c *Collector) probe(out sender, p *rules.ProbeView) {
	labels := []string{p.ID, p.Enclosure, p.Place}
	out.gauge(c.d.probeUp, bit(p.Fresh), labels...)
	switch {
	case !p.Fresh || !p.HasTemperature:
	case p.TemperatureDoubt != "":
		out.gauge(c.d.wildTemperature, p.Temperature.Celsius(), append(labels, p.TemperatureDoubt)...)
	default:
		out.gauge(c.d.probeTemperature, p.Temperature.Celsius(), labels...)
	}
	switch {
	case !p.Fresh || !p.HasHumidity:
	case p.HumidityDoubt != "":
		out.gauge(c.d.wildHumidity, p.Humidity.Percent()/100, append(labels, p.HumidityDoubt)...)
	default:
		out.gauge(c.d.probeHumidity, p.Humidity.Percent()/100, labels...)
		if p.Uncertainty > 0 {
			out.gauge(c.d.probeHumidityUncertainty, p.Uncertainty/100, labels...)
		}
	}
	if p.Fresh && p.HasLight {
		out.gauge(c.d.probeLight, float64(p.LightLux), labels...)
	}
	out.stamp(c.d.probeGood, p.LastGood.Wall, labels...)
	out.counter(c.d.probeReadings, float64(p.Readings), p.ID)
	for reason, n := range p.Counts {
		out.counter(c.d.probeDoubts, float64(n), p.ID, reason)
	}
	if p.HumidityDue != nil {
		out.stamp(c.d.calibrationDue, *p.HumidityDue, p.ID, "humidity")
	}
	if p.TemperatureDue != nil {
		out.stamp(c.d.calibrationDue, *p.TemperatureDue, p.ID, "temperature")
	}
}

// alarmStates are the states of the state set, in the standard's order.
var alarmStates = [...]alarm.State{
	alarm.Norm, alarm.Unack, alarm.Acked, alarm.RTNUN, alarm.LatchUnack, alarm.LatchAck,
	alarm.Shelved, alarm.Suppressed, alarm.OutOfService,
}

func (c *Collector) alarms(out sender, s *alert.Snapshot) {
	for _, a := range s.Alarms {
		for _, st := range alarmStates {
			out.gauge(c.d.alarmState, bit(a.State == st), string(a.Key.Alarm), a.Key.Subject, a.Priority.String(), st.String())
		}
	}
	k := &s.KPI
	out.gauge(c.d.kpiPerDay, k.PerDay)
	out.gauge(c.d.kpiFloods, float64(k.Floods))
	out.gauge(c.d.kpiFloodTime, k.FloodTime.Seconds())
	out.gauge(c.d.kpiStale, float64(len(k.Stale)))
	out.gauge(c.d.kpiChattering, float64(len(k.Chattering)))
	out.gauge(c.d.kpiShelved, float64(k.Shelved))
	out.gauge(c.d.kpiUnacked, float64(k.Unacknowledged))
	out.gauge(c.d.kpiAckMean, k.MeanAcknowledge.Seconds())
	out.gauge(c.d.kpiAckMax, k.MaxAcknowledge.Seconds())
	out.gauge(c.d.kpiUnknown, float64(k.Unknown))
	for i := range k.Worst {
		w := &k.Worst[i]
		out.counter(c.d.kpiRaised, float64(w.Count), string(w.Key.Alarm), w.Key.Subject)
		if said := words.Fact(w.Suggestion, unit.Celsius); said != "" {
			out.gauge(c.d.kpiSuggestion, 1, string(w.Key.Alarm), w.Key.Subject, said)
		}
	}
}

func (c *Collector) delivery(out sender, s *alert.Snapshot) {
	out.gauge(c.d.outboxDepth, float64(s.Delivery.Depth))
	out.gauge(c.d.outboxAge, s.Delivery.OldestAge.Seconds())
	out.counter(c.d.outboxDropped, float64(s.Delivery.Dropped))
	out.gauge(c.d.openWake, float64(s.Delivery.OpenWake))
	stalled := map[string]bool{}
	for _, name := range s.Stalled {
		stalled[name] = true
	}
	for name, ch := range s.Delivery.Channels {
		out.counter(c.d.sent, float64(ch.Taken), name)
		out.counter(c.d.failed, float64(ch.Failed), name)
		out.stamp(c.d.channelOK, ch.LastSuccess.Wall, name)
		out.gauge(c.d.channelStalled, bit(stalled[name]), name)
		if ch.Connected != nil {
			out.gauge(c.d.channelConnected, bit(*ch.Connected), name)
		}
	}
	if s.Drill != nil {
		out.stamp(c.d.drillAt, s.Drill.At.Wall)
		if s.Drill.Acked {
			out.gauge(c.d.drillAck, s.Drill.AckedIn)
		}
	}
}

func (c *Collector) record(out sender, s *alert.Snapshot) {
	r := &s.Record
	out.gauge(c.d.recordOK, bit(s.Recording))
	out.gauge(c.d.recordBytes, float64(r.FileBytes))
	out.gauge(c.d.recordCap, float64(r.CapBytes))
	out.gauge(c.d.recordUnwritten, float64(r.Unwritten))
	out.counter(c.d.recordLost, float64(r.Lost))
	out.counter(c.d.recordCommits, float64(r.Commits))
	out.counter(c.d.recordErrors, float64(r.Errors))
	out.counter(c.d.recordDamaged, float64(r.Damaged))
	out.counter(c.d.recordWritten, float64(r.BytesWritten))
	out.stamp(c.d.recordAt, r.LastCommit)
}

func (c *Collector) polls(out sender, s *alert.Snapshot) {
	for _, b := range s.Buses {
		out.counter(c.d.busRounds, float64(b.Rounds), b.Bus)
		out.counter(c.d.busOverruns, float64(b.Overruns), b.Bus)
		out.gauge(c.d.busHung, bit(b.Hung != ""), b.Bus)
	}
	for i := range s.Polls {
		p := &s.Polls[i]
		out.gauge(c.d.pollTook, p.Took.Seconds(), string(p.Probe), p.Bus)
		out.counter(c.d.pollLate, float64(p.Late), string(p.Probe), p.Bus)
		out.counter(c.d.pollQuality, float64(p.Good), string(p.Probe), sensors.Good.String())
		out.counter(c.d.pollQuality, float64(p.Suspect), string(p.Probe), sensors.Suspect.String())
		out.counter(c.d.pollQuality, float64(p.Bad), string(p.Probe), sensors.Bad.String())
		out.counter(c.d.heaterPulses, float64(p.Events.HeaterPulses), string(p.Probe))
		out.counter(c.d.restarts, float64(p.Events.Restarts), string(p.Probe))
		out.counter(c.d.replaced, float64(p.Events.Replaced), string(p.Probe))
	}
}
