package room

// SupplyOf is the supply of a misting schedule.
func (v *View) SupplyOf(mist int) string {
	c := &v.Mists[mist].Cfg
	if c.Supply != "" {
		return c.Supply
	}
	return c.ID
}

// FirstOfSupply is the first schedule on the same supply.
func (v *View) FirstOfSupply(mist int) int {
	for i := range mist {
		if v.SupplyOf(i) == v.SupplyOf(mist) {
			return i
		}
	}
	return mist
}
