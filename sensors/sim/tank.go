package sim

import "math"

// Figures of a 91 L tank's water, scaled by volume. The conductances give 90 % and 83 % at
// 3 air changes in a room of 22 °C and 45 %; flows and stocks are common practice, no source.
const (
	refLitres   = 91.0
	wetPath     = 1.5               // m³/h from wet moss and litter
	dryPath     = 0.2               // m³/h from the deep substrate once moss is dry
	filmPath    = 2.5               // m³/h more while leaves are wet
	fogPath     = 30.0              // m³/h from standing fog
	glassPath   = 1.0               // m³/h to glass below the dew point
	filmHolds   = 6.0               // g on leaves
	wetHolds    = 50.0              // g in moss and litter
	wetKnee     = 8.0               // g below which moss dries
	sprayFlow   = 1.3               // g/s of a nozzle
	sprayToLeaf = 0.05              // share that stays on leaves
	sprayVapour = 0.006             // g/s that evaporates in flight
	sprayHeat   = 0.5 * 4.19        // J/gK given to the air on the way
	latentHeat  = 2450.0            // J/g of water at 20 °C
	ventHeat    = 1.2 * 1005 / 3600 // W/K per m³/h
	glassShare  = 0.45              // of air minus room that the inner glass lies below the air
	canopyLayer = 0.25              // °C at the canopy above the air per °C of lamp heat over loss
	litterOfAir = 0.7               // share of air in what a litter probe feels; the rest is litter
)

// A tank is one enclosure's state and what acts on it now.
type tank struct {
	Enclosure
	glass  Glass
	node   twoNode
	extra  float64 // W/K that node was solved with
	volume float64 // m³
	scale  float64 // volume over the reference tank's

	air, litter  float64 // °C
	vapour       float64 // g/m³
	film, wet    float64 // g
	airLatent    float64 // W drawn by evaporation in the last step
	litterLatent float64

	lamps, mist int     // index of the timer, -1 for none
	lampWatts   float64 // absorbed as heat
	shelfWarmth float64

	switched
	fault tankFault

	canopyProbe bool
}

// switched is what timers and faults make of a tank.
type switched struct {
	lampsOn bool
	lampW   float64
	layer   float64 // °C, canopy over air
	heaterW float64
	changes float64 // air changes per hour
	flow    float64 // g/s of spray
	fog     bool
}

// tankFault is what the faults in force demand of a tank.
type tankFault struct {
	lamps      int8 // +1 stuck on, -1 stuck off
	heaterW    float64
	nozzle     float64 // share of the flow, 1 when clean
	spraying   bool
	fog        bool
	changes    float64 // replaces the tank's own where above 0
	addChanges float64
	door       bool
}

func (t *tank) litterAir() float64 { return litterOfAir*t.air + (1-litterOfAir)*t.litter }
func (t *tank) canopyAir() float64 { return t.air + t.layer }

// setFlow solves the nodes anew when ventilation or spray changed.
func (t *tank) setFlow(dt float64) {
	extra := ventHeat*t.changes*t.volume + sprayHeat*t.flow
	if extra != t.extra || t.node.room == 0 {
		t.extra, t.node = extra, newTwoNode(t.glass, extra, dt)
	}
}

// lampWattsFor returns the absorbed heat that warms a litter probe by riseC.
func (t *tank) lampWattsFor(riseC float64) float64 {
	n := newTwoNode(t.glass, ventHeat*t.AirChanges*t.volume, 1)
	a, l := n.balance(0, 1-lampLitterShare, lampLitterShare)
	return riseC / (litterOfAir*a + (1-litterOfAir)*l)
}

// step moves the tank on by dt seconds beside air of roomC and roomVapour.
func (t *tank) step(sat *satTable, dt, roomC, roomVapour float64) {
	roomC += t.shelfWarmth
	airW := t.lampW*(1-lampLitterShare) + t.heaterW - t.airLatent
	litterW := t.lampW*lampLitterShare - t.litterLatent
	t.air, t.litter = t.node.step(t.air, t.litter, roomC, airW, litterW)
	t.stepWater(sat, dt, roomC, roomVapour)
}

// stepWater moves vapour and the two stores of water on.
func (t *tank) stepWater(sat *satTable, dt, roomC, roomVapour float64) {
	hours := dt / 3600
	atLitter, atAir := sat.at(t.litter), sat.at(t.air)
	base := t.scale * (dryPath + (wetPath-dryPath)*min(1, t.wet/(wetKnee*t.scale)))
	film := filmPath * t.film / filmHolds
	vent := t.changes * t.volume
	paths := base + film + vent
	gain := base*atLitter + film*atAir + vent*roomVapour
	spray := sprayVapour / sprayFlow * t.flow // g/s
	gain += spray * 3600
	if t.fog {
		paths += fogPath * t.scale
		gain += fogPath * t.scale * atAir
	}
	if atGlass := sat.at(t.air - glassShare*(t.air-roomC)); t.vapour > atGlass {
		paths += glassPath * t.scale
		gain += glassPath * t.scale * atGlass
	}
	next := t.vapour + (gain/paths-t.vapour)*approach(paths*hours/t.volume)
	if next > atAir {
		next, spray = atAir, 0
	}
	mean := (t.vapour + next) / 2
	t.vapour = next

	fromLitter := base * (atLitter - mean) * hours
	fromFilm := film * (atAir - mean) * hours
	t.litterLatent = latentHeat * fromLitter / dt
	t.airLatent = latentHeat * (fromFilm/dt + spray)
	t.film = clamp(t.film-fromFilm+sprayToLeaf*t.flow*dt, filmHolds*t.scale)
	t.wet = clamp(t.wet-fromLitter+(1-sprayToLeaf)*t.flow*dt, wetHolds*t.scale)
}

// approach is 1-exp(-x) to a thousandth for the steps of a tank (x below 2),
// and stays between 0 and 1 for any other.
func approach(x float64) float64 {
	if x > 4 {
		return 1 - math.Exp(-x)
	}
	return x / (1 + x/2 + x*x/12)
}

func clamp(x, top float64) float64 { return max(0, min(x, top)) }

// hottest is the warmest spot at which a probe hangs.
func (t *tank) hottest() float64 {
	if t.canopyProbe {
		return max(t.canopyAir(), t.litterAir())
	}
	return t.litterAir()
}
