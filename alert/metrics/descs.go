package metrics

import "github.com/prometheus/client_golang/prometheus"

// descs are the descriptions of every metric, by what they tell of.
type descs struct {
	// dewline itself
	build, clock, cycles, cycleAt, configAt, configOK *prometheus.Desc
	// enclosures
	temperature, hottest, humidity, humidityUncertainty, dewPoint, vpd *prometheus.Desc
	bandLow, bandHigh, floor, ceiling, exposure, slope, toLethal       *prometheus.Desc
	lamps, mistAge, mistsMissed, dryDown, nightDrop, nightsNoDrop      *prometheus.Desc
	blind, outOfService, info                                          *prometheus.Desc
	// probes
	probeUp, probeTemperature, probeHumidity, probeLight, probeGood *prometheus.Desc
	probeReadings, probeDoubts, calibrationDue                      *prometheus.Desc
	probeHumidityUncertainty, wildTemperature, wildHumidity         *prometheus.Desc
	// alarms
	alarmState, kpiPerDay, kpiFloods, kpiFloodTime, kpiStale, kpiChattering *prometheus.Desc
	kpiShelved, kpiUnacked, kpiAckMean, kpiAckMax, kpiUnknown               *prometheus.Desc
	kpiRaised, kpiSuggestion                                                *prometheus.Desc
	// delivery
	outboxDepth, outboxAge, outboxDropped, openWake, sent, failed  *prometheus.Desc
	channelOK, channelStalled, channelConnected, drillAt, drillAck *prometheus.Desc
	// record
	recordOK, recordBytes, recordCap, recordUnwritten, recordLost, recordCommits *prometheus.Desc
	recordErrors, recordDamaged, recordWritten, recordAt                         *prometheus.Desc
	// polls
	busRounds, busOverruns, busHung, pollTook, pollLate, pollQuality *prometheus.Desc
	heaterPulses, restarts, replaced                                 *prometheus.Desc

	list []*prometheus.Desc
}

func (d *descs) all() []*prometheus.Desc { return d.list }

// add makes one description and lists it.
func (d *descs) add(to **prometheus.Desc, name, help string, labels ...string) {
	*to = prometheus.NewDesc("dewline_"+name, help, labels, nil)
	d.list = append(d.list, *to)
}

func newDescs() descs {
	var d descs
	d.self()
	d.enclosures()
	d.probes()
	d.alarms()
	d.delivery()
	d.record()
	d.polls()
	return d
}

func (d *descs) self() {
	d.add(&d.build, "build_info", "The running version.", "version")
	d.add(&d.clock, "clock_synchronised", "1 while the board's clock is set from outside.")
	d.add(&d.cycles, "cycles_total", "Completed rounds of readings and rules.")
	d.add(&d.cycleAt, "last_cycle_timestamp_seconds", "When the last round of readings and rules was completed.")
	d.add(&d.configAt, "config_loaded_timestamp_seconds", "When the configuration in force was read.")
	d.add(&d.configOK, "config_last_load_successful", "0 while the file has faults and an earlier configuration is in force.")
}

func (d *descs) enclosures() {
	const e = "enclosure"
	d.add(&d.temperature, "temperature_celsius", "Air temperature of an enclosure: of its hottest trustworthy probe, on which heat is judged.", e)
	d.add(&d.hottest, "hottest_celsius", "The same as temperature_celsius.", e)
	d.add(&d.humidity, "humidity_ratio", "Relative humidity of an enclosure, 0 to 1.", e)
	d.add(&d.humidityUncertainty, "humidity_uncertainty_ratio", "Stated uncertainty of an enclosure's humidity, 0 to 1.", e)
	d.add(&d.dewPoint, "dew_point_celsius", "Dew point of an enclosure's air.", e)
	d.add(&d.vpd, "vapour_pressure_deficit_pascals", "Vapour pressure deficit of an enclosure's air.", e)
	d.add(&d.bandLow, "band_low_celsius", "Lower end of the temperature band in force.", e)
	d.add(&d.bandHigh, "band_high_celsius", "Upper end of the temperature band in force.", e)
	d.add(&d.floor, "humidity_floor_ratio", "Humidity that must be kept, 0 to 1.", e)
	d.add(&d.ceiling, "ceiling_celsius", "Lethal limit in force.", e)
	d.add(&d.exposure, "exposure_ratio", "Heat dose as a share of the keeper's heat limit; no measure of safety.", e)
	d.add(&d.slope, "temperature_slope_celsius_per_second", "Present trend of an enclosure's temperature.", e)
	d.add(&d.toLethal, "time_to_ceiling_seconds", "Forecast time until the lethal limit; absent where none is forecast.", e, "bound")
	d.add(&d.lamps, "lamps_scheduled_on", "1 while the schedule has the lamps on.", e)
	d.add(&d.mistAge, "mist_pulse_age_seconds", "Time since the last mist pulse that was seen.", e)
	d.add(&d.mistsMissed, "mist_pulses_missed", "Scheduled mist pulses in a row that were not seen.", e)
	d.add(&d.dryDown, "dry_down_half_life_seconds", "Half-life of the dry-down after a mist pulse, the middle of the last three.", e)
	d.add(&d.nightDrop, "night_drop_celsius", "Fall from lamp-on to lamp-off medians in the last whole night.", e)
	d.add(&d.nightsNoDrop, "nights_without_drop", "Nights in a row without the fall in temperature that is wanted.", e)
	d.add(&d.info, "enclosure_info", "Name, place and inhabitants of an enclosure, to be joined by its id.", e, "name", "rack", "shelf", "slot", "species", "stage")
	d.add(&d.blind, "enclosure_blind", "1 while no probe of the enclosure delivers.", e)
	d.add(&d.outOfService, "enclosure_out_of_service", "1 while a person has taken the enclosure out of service.", e)
}

func (d *descs) probes() {
	place := []string{"probe", "enclosure", "place"}
	d.add(&d.probeUp, "probe_up", "1 while a probe answers, be it with values that are doubted.", place...)
	d.add(&d.probeTemperature, "probe_temperature_celsius", "Last good temperature of a probe that delivers one.", place...)
	d.add(&d.probeHumidity, "probe_humidity_ratio", "Last good relative humidity of a probe that delivers, 0 to 1.", place...)
	d.add(&d.wildTemperature, "probe_doubted_temperature_celsius", "Present temperature of a probe that is not trusted, with the reason.", append(place, "reason")...)
	d.add(&d.wildHumidity, "probe_doubted_humidity_ratio", "Present relative humidity of a probe that is not trusted, such as one that is wet, 0 to 1.", append(place, "reason")...)
	d.add(&d.probeHumidityUncertainty, "probe_humidity_uncertainty_ratio", "Stated uncertainty of a probe's humidity: data sheet, calibration and time in wet air, 0 to 1.", place...)
	d.add(&d.probeLight, "probe_illuminance_lux", "Last good illuminance of a probe that delivers.", place...)
	d.add(&d.probeGood, "probe_last_success_timestamp_seconds", "When a probe last gave a good reading.", place...)
	d.add(&d.probeReadings, "probe_readings_total", "Readings of a probe, of any quality.", "probe")
	d.add(&d.probeDoubts, "probe_doubts_total", "Suspect and bad readings of a probe by reason.", "probe", "reason")
	d.add(&d.calibrationDue, "probe_calibration_due_timestamp_seconds", "When a probe is next to be calibrated.", "probe", "quantity")
}

func (d *descs) alarms() {
	d.add(&d.alarmState, "alarm_state", "State of an alarm that is not normal, one of the states of IEC 62682.", "alarm", "subject", "priority", "state")
	d.add(&d.kpiPerDay, "alarms_per_day", "Alarms a day, mean of at most 30 days.")
	d.add(&d.kpiFloods, "alarm_floods", "Times with more than 10 alarms in 10 minutes, since the alarms are counted.")
	d.add(&d.kpiFloodTime, "alarm_flood_seconds", "Time spent in floods of alarms, since they are counted.")
	d.add(&d.kpiStale, "alarms_stale", "Alarms active for more than 24 hours.")
	d.add(&d.kpiChattering, "alarms_chattering", "Alarms that come and go quickly.")
	d.add(&d.kpiShelved, "alarms_shelved", "Alarms put away by a person.")
	d.add(&d.kpiUnacked, "alarms_unacknowledged", "Alarms that nobody has acknowledged.")
	d.add(&d.kpiAckMean, "alarm_acknowledge_mean_seconds", "Mean time to acknowledgement, since the alarms are counted.")
	d.add(&d.kpiAckMax, "alarm_acknowledge_max_seconds", "Longest time to acknowledgement, since the alarms are counted.")
	d.add(&d.kpiRaised, "alarm_raised_total", "How often each of the ten most frequent alarms was raised.", "alarm", "subject")
	d.add(&d.kpiSuggestion, "alarm_suggestion_info", "What would have kept a frequent alarm from being raised again and again, to be joined by alarm and subject.", "alarm", "subject", "suggestion")
	d.add(&d.kpiUnknown, "alarms_unknown", "Open alarms that cannot be evaluated at present.")
}

func (d *descs) delivery() {
	d.add(&d.outboxDepth, "outbox_deliveries", "Messages that no channel has taken over yet.")
	d.add(&d.outboxAge, "outbox_oldest_age_seconds", "Age of the oldest message that is due and not taken over.")
	d.add(&d.outboxDropped, "outbox_dropped_total", "Messages given up because the outbox was full; never wake notices.")
	d.add(&d.openWake, "wake_notices_unacknowledged", "Wake notices that nobody has acknowledged.")
	d.add(&d.sent, "channel_sent_total", "Messages that a channel took over.", "channel")
	d.add(&d.failed, "channel_failed_total", "Failed attempts of a channel.", "channel")
	d.add(&d.channelOK, "channel_last_success_timestamp_seconds", "When a channel last took a message over.", "channel")
	d.add(&d.channelStalled, "channel_stalled", "1 while a channel takes nothing over.", "channel")
	d.add(&d.channelConnected, "channel_connected", "1 while a channel has its connection, or its server answered at the last look; 0 from the start until then.", "channel")
	d.add(&d.drillAt, "drill_last_timestamp_seconds", "When the last drill was begun.")
	d.add(&d.drillAck, "drill_acknowledge_seconds", "Time until the last drill was acknowledged.")
}

func (d *descs) record() {
	d.add(&d.recordOK, "record_ok", "1 while the record is being written.")
	d.add(&d.recordBytes, "record_bytes", "Size of the record's file.")
	d.add(&d.recordCap, "record_limit_bytes", "Size that the record may grow to.")
	d.add(&d.recordUnwritten, "record_unwritten_readings", "Readings that a power cut would lose now.")
	d.add(&d.recordLost, "record_lost_readings_total", "Readings lost because the card refused for too long.")
	d.add(&d.recordCommits, "record_commits_total", "Transactions since the start.")
	d.add(&d.recordErrors, "record_errors_total", "Failed transactions since the start.")
	d.add(&d.recordDamaged, "record_damaged_total", "Entries refused because their checksum was wrong.")
	d.add(&d.recordWritten, "record_written_bytes_total", "Bytes handed to the card since the start.")
	d.add(&d.recordAt, "record_last_commit_timestamp_seconds", "When the record was last written.")
}

func (d *descs) polls() {
	d.add(&d.busRounds, "bus_rounds_total", "Completed rounds of a bus.", "bus")
	d.add(&d.busOverruns, "bus_overruns_total", "Polls skipped because a round took too long.", "bus")
	d.add(&d.busHung, "bus_hung", "1 while a call to the bus does not come back.", "bus")
	d.add(&d.pollTook, "poll_duration_seconds", "How long the last reading of a probe took.", "probe", "bus")
	d.add(&d.pollLate, "poll_late_total", "Readings that came back after their time was up.", "probe", "bus")
	d.add(&d.pollQuality, "poll_readings_total", "Polled readings by quality.", "probe", "quality")
	d.add(&d.heaterPulses, "probe_heater_pulses_total", "Heater pulses of a probe against creep; readings are inhibited until it has cooled.", "probe")
	d.add(&d.restarts, "probe_restarts_total", "Restarts of a probe's chip, by itself or after faults.", "probe")
	d.add(&d.replaced, "probe_replaced_total", "Times that another chip answered in the place of a probe.", "probe")
}
