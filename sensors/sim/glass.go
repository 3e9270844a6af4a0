package sim

import "math"

// Figures of bare glass enclosures by volume: walls of 5 mm at 4 W/m²K, 6–8 cm
// of wet substrate. Computed from those assumptions; the U value is from
// memory.
var glassTable = [...]struct{ litres, lossWK, capacityKJK float64 }{
	{40, 2.7, 28}, {91, 4.5, 64}, {162, 6.7, 89}, {243, 9.0, 141}, {504, 14.6, 269},
}

// How loss and capacity divide between the two nodes, and how strongly these
// are coupled: fitted so that a 91 L tank answers a step of its lamps or of
// its room as a four-node model of the same tank does.
const (
	airLossShare     = 0.623
	couplingPerLoss  = 0.329
	airCapacityShare = 0.0985
	lampLitterShare  = 0.29 // of the lamps' heat, absorbed by litter and leaves
)

// GlassFor returns the thermal figures of an enclosure of that volume, between
// the table's sizes by a power law.
func GlassFor(litres float64) Glass {
	i := 1
	for i < len(glassTable)-1 && litres > glassTable[i].litres {
		i++
	}
	lo, hi := glassTable[i-1], glassTable[i]
	at := math.Log(litres/lo.litres) / math.Log(hi.litres/lo.litres)
	loss := lo.lossWK * math.Pow(hi.lossWK/lo.lossWK, at)
	capacity := 1000 * lo.capacityKJK * math.Pow(hi.capacityKJK/lo.capacityKJK, at)
	return Glass{
		AirToRoom:      loss * airLossShare,
		LitterToRoom:   loss * (1 - airLossShare),
		AirToLitter:    loss * couplingPerLoss,
		AirCapacity:    capacity * airCapacityShare,
		LitterCapacity: capacity * (1 - airCapacityShare),
	}
}

// Loss returns the heat path to the room with both nodes at one temperature,
// in W/K, ventilation apart.
func (g Glass) Loss() float64 { return g.AirToRoom + g.LitterToRoom }

// A twoNode is the pair of air and litter over one step, solved exactly for a
// room and heat flows that are constant within it.
type twoNode struct {
	room          float64 // W/K, air to room with ventilation
	litterRoom    float64 // W/K
	i11, i12, i22 float64 // inverse of the conductance matrix, K/W
	p11, p12      float64 // exponential of the step
	p21, p22      float64
}

// newTwoNode solves g with extra W/K between air and room for steps of dt
// seconds.
func newTwoNode(g Glass, extra, dt float64) twoNode {
	n := twoNode{room: g.AirToRoom + extra, litterRoom: g.LitterToRoom}
	k := g.AirToLitter
	ga, gs := n.room+k, n.litterRoom+k
	det := ga*gs - k*k
	n.i11, n.i12, n.i22 = gs/det, k/det, ga/det

	// exp(M dt) of a 2×2 matrix with real eigenvalues mid ± root.
	m11, m12 := -ga/g.AirCapacity, k/g.AirCapacity
	m21, m22 := k/g.LitterCapacity, -gs/g.LitterCapacity
	mid := (m11 + m22) / 2
	root := math.Sqrt((m11-m22)*(m11-m22)/4 + m12*m21)
	even, odd := math.Exp(mid*dt), math.Exp(mid*dt)*dt
	if root > 0 {
		even *= math.Cosh(root * dt)
		odd *= math.Sinh(root*dt) / (root * dt)
	}
	n.p11, n.p12 = even+odd*(m11-mid), odd*m12
	n.p21, n.p22 = odd*m21, even+odd*(m22-mid)
	return n
}

// balance returns where both nodes settle in a room at roomC with heat flows
// into air and litter in W.
func (n *twoNode) balance(roomC, airW, litterW float64) (air, litter float64) {
	airW += n.room * roomC
	litterW += n.litterRoom * roomC
	return n.i11*airW + n.i12*litterW, n.i12*airW + n.i22*litterW
}

func (n *twoNode) step(air, litter, roomC, airW, litterW float64) (float64, float64) {
	a, l := n.balance(roomC, airW, litterW)
	da, dl := air-a, litter-l
	return a + n.p11*da + n.p12*dl, l + n.p21*da + n.p22*dl
}
