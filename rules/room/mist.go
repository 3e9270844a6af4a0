package room

// Mists are the misting schedules of a room.
type Mists []Mist

// SupplyOf is the supply of a misting schedule.
func (m Mists) SupplyOf(mist int) string {
	c := &m[mist].Cfg
	if c.Supply != "" {
		return c.Supply
	}
	return c.ID
}

// FirstOfSupply is the first schedule on the same supply.
func (m Mists) FirstOfSupply(mist int) int {
	for i := range mist {
		if m.SupplyOf(i) == m.SupplyOf(mist) {
			return i
		}
	}
	return mist
}

// supplyNamed is the supply of a schedule by its id.
func (m Mists) supplyNamed(mist string) string {
	for i := range m {
		if m[i].Cfg.ID == mist {
			return m.SupplyOf(i)
		}
	}
	return mist
}
