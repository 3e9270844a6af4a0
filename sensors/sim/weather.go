package sim

import (
	"math"
	"math/rand/v2"
	"time"
)

const (
	weatherStream  = 0x77656174 // separates the weather's random numbers from the probes'
	warmestSeconds = 15 * 3600
	warmestYearDay = 205
	secondsPerDay  = 86400
)

// weather is the climate outdoors as a function of time alone.
type weather struct {
	Climate
	seed   uint64
	offset int64 // seconds of local standard time ahead of UTC
	day    int64
	today  float64 // means of the day at hand and of the next
	next   float64
}

func newWeather(c Climate, seed uint64, loc *time.Location, start time.Time) weather {
	_, january := time.Date(start.Year(), 1, 1, 0, 0, 0, 0, loc).Zone()
	_, july := time.Date(start.Year(), 7, 1, 0, 0, 0, 0, loc).Zone()
	return weather{Climate: c, seed: seed, offset: int64(min(january, july)), day: math.MinInt64}
}

// at returns the temperature and absolute humidity outdoors.
func (w *weather) at(unix float64) (tempC, vapour float64) {
	local := unix + float64(w.offset)
	day := math.Floor(local / secondsPerDay)
	if d := int64(day); d != w.day {
		w.day, w.today, w.next = d, w.dayMean(d), w.dayMean(d+1)
	}
	seconds := local - day*secondsPerDay
	mean := w.today + (w.next-w.today)*seconds/secondsPerDay
	swing := w.DaySwing * math.Cos(2*math.Pi*(seconds-warmestSeconds)/secondsPerDay)
	return mean + swing, mean - w.DewPoint
}

// dayMean is the season plus an offset that half remembers the days before.
func (w *weather) dayMean(day int64) float64 {
	const memory, days = 0.6, 8
	offset, weight, norm := 0.0, 1.0, 0.0
	for i := range int64(days) {
		src := rand.NewPCG(w.seed^weatherStream, uint64(day-i))
		offset += weight * rand.New(src).NormFloat64()
		norm += weight * weight
		weight *= memory
	}
	yearDay := float64(time.Unix(day*secondsPerDay, 0).UTC().YearDay())
	season := w.YearSwing * math.Cos(2*math.Pi*(yearDay-warmestYearDay)/365.25)
	return w.Mean + season + w.WeatherSigma*offset/math.Sqrt(norm)
}

// house is the room's air between weather, lamps and conditioning.
type house struct {
	House
	temp    float64 // °C at the lowest shelf
	vapour  float64 // g/m³
	cooling bool
	heating bool
	day     bool // set point in force

	tempKeep   float64 // share of a deviation left after one step
	vapourKeep float64

	outdoors   float64
	outdoorDew float64
	hotNow     float64 // °C that a hot spell has come to
	houseFault
}

// houseFault is what the faults in force make of the house.
type houseFault struct {
	noCool, noHeat, heatStuck, noPower bool
	hotSpell                           float64 // °C that a hot spell asks for
}

const (
	vapourTau = 3600.0 // s in which the room's moisture follows what drives it
	daySet    = 21.2   // °C that the room is kept at by day, within a swing
	swing     = 0.2
	coolPower = 60.0 // °C by which conditioning would change the room in the end
	heatPower = 45.0
)

func newHouse(h House, dt float64) house {
	return house{
		House: h, temp: daySet,
		tempKeep:   math.Exp(-dt / h.Tau.Seconds()),
		vapourKeep: math.Exp(-dt / vapourTau),
	}
}

func (h *house) set() float64 {
	if h.day {
		return daySet
	}
	return h.NightSet
}

// step moves the room on; lit is the share of lamps that are on.
func (h *house) step(sat *satTable, outdoors, dew, lit float64) {
	h.hotNow = h.hotSpell + (h.hotNow-h.hotSpell)*h.vapourKeep // air masses take an hour as well
	h.outdoors, h.outdoorDew = outdoors+h.hotNow, dew+h.hotNow/2
	h.thermostat()
	settle := h.outdoors
	if !h.noPower {
		settle += h.OtherGain + lit*h.LampGain
	}
	if h.cooling {
		settle -= coolPower
	}
	if h.heating {
		settle += heatPower
	}
	h.temp = settle + (h.temp-settle)*h.tempKeep

	drive := sat.at(h.outdoorDew) + 1
	if h.conditioned() {
		drive = h.Humidity / 100 * sat.at(h.set())
	}
	h.vapour = drive + (h.vapour-drive)*h.vapourKeep
	h.vapour = min(h.vapour, 0.9*sat.at(h.temp))
}

func (h *house) conditioned() bool {
	return !h.noPower && !h.noCool && !h.Uncontrolled
}

// thermostat switches cooling around the set point and heating just below it,
// far enough apart that they never fight.
func (h *house) thermostat() {
	set := h.set()
	switch {
	case h.temp > set+swing:
		h.cooling = true
	case h.temp < set-swing:
		h.cooling = false
	}
	switch {
	case h.temp < set-1.5*swing:
		h.heating = true
	case h.temp > set-swing/2:
		h.heating = false
	}
	h.cooling = h.cooling && h.conditioned() && !h.heatStuck
	mayHeat := !h.noHeat && !h.Uncontrolled
	h.heating = (h.heating && mayHeat || h.heatStuck) && !h.noPower
}

// Saturation vapour pressure over water by the Magnus form with the
// coefficients of Sonntag 1990, as WMO-No. 8 gives them: within 0.3 % of
// IAPWS over 0 to 40 °C, which is far less than a probe errs.
func saturationKPa(tempC float64) float64 {
	return 0.6112 * math.Exp(17.62*tempC/(243.12+tempC))
}

// saturationDensity returns the absolute humidity of saturated air in g/m³, by the
// gas law of water vapour.
func saturationDensity(tempC float64) float64 {
	return 2166.8 * saturationKPa(tempC) / (tempC + 273.15)
}

const (
	satLow   = -60.0 // °C
	satHigh  = 120.0
	satPerC  = 16
	satCells = int(satHigh-satLow) * satPerC
)

// A satTable is saturationDensity on a grid of 1/16 °C: linear between the
// points it is within 0.001 %, and it takes the exponential out of the step.
type satTable [satCells + 1]float64

func newSatTable() *satTable {
	t := new(satTable)
	for i := range t {
		t[i] = saturationDensity(satLow + float64(i)/satPerC)
	}
	return t
}

// at returns the saturated density in g/m³, clamped to the table's ends.
func (t *satTable) at(tempC float64) float64 {
	x := (tempC - satLow) * satPerC
	i := int(x)
	if uint(i) >= uint(satCells) {
		if x < 0 {
			return t[0]
		}
		return t[satCells]
	}
	return t[i] + (t[i+1]-t[i])*(x-float64(i))
}
