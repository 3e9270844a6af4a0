package chart

import "image/color"

// A look is how one role is painted. Zero alpha paints nothing.
type look struct {
	fill, stroke color.NRGBA
	width        float64
}

type palette [numRoles]look

// The hues are those of Okabe and Ito, "Color universal design: how to make
// figures and presentations that are friendly to colorblind people", 2008 (from
// memory), which the common kinds of colour blindness leave apart. Shapes and
// dashes say the same once more.
const (
	orange     = 0xE69F00
	skyBlue    = 0x56B4E9
	green      = 0x009E73
	blue       = 0x0072B2
	vermillion = 0xC95500 // 0xD55E00, darker for 3 to 1 on the band
)

func rgb(hex uint32) color.NRGBA { return rgba(hex, 0xff) }

func rgba(hex uint32, alpha uint8) color.NRGBA {
	return color.NRGBA{R: uint8(hex >> 16), G: uint8(hex >> 8), B: uint8(hex), A: alpha}
}

// A base is what the two themes differ in.
type base struct {
	back, text, faint, grid, frame uint32
	dark                           color.NRGBA
	band                           uint8 // alpha of the ribbon
	warm, water, note              uint32
	envelope                       uint8 // alpha
}

func (b base) palette() palette {
	return palette{
		roleBack:      {fill: rgb(b.back)},
		roleDark:      {fill: b.dark},
		roleBand:      {fill: rgba(green, b.band), stroke: rgba(green, 0xa0), width: 0.8},
		roleGrid:      {stroke: rgb(b.grid), width: 1},
		roleFrame:     {stroke: rgb(b.frame), width: 1},
		roleWarm:      {stroke: rgb(b.warm), width: 1.8},
		roleWarmBy:    {fill: rgba(b.warm, b.envelope)},
		roleWater:     {stroke: rgb(b.water), width: 1.8},
		roleWaterBy:   {fill: rgba(b.water, b.envelope)},
		roleBeside:    {stroke: rgb(b.faint), width: 1},
		roleLethal:    {stroke: rgb(b.text), width: 2},
		roleFloor:     {stroke: rgb(b.text), width: 1.4},
		rolePulse:     {fill: rgb(b.water)},
		roleMissed:    {fill: rgb(b.back), stroke: rgb(b.text), width: 1.4},
		rolePulseLine: {stroke: rgba(b.water, 0x90), width: 1},
		roleWake:      {fill: rgb(b.warm), stroke: rgb(b.warm), width: 1},
		roleToday:     {fill: rgb(b.back), stroke: rgb(b.warm), width: 1.6},
		roleNote:      {fill: rgb(b.note), stroke: rgb(b.text), width: 1},
		roleText:      {fill: rgb(b.text)},
		roleFaint:     {fill: rgb(b.faint)},
		roleHalo:      {fill: rgb(b.text), stroke: rgba(b.back, 0xd0), width: 3},
	}
}

// light is also what is printed.
func light() palette {
	return base{
		back: 0xFFFFFF, text: 0x1B1F22, faint: 0x565E64, grid: 0xE2E5E7, frame: 0x8A9299,
		dark: rgba(0x1B2A49, 0x12), band: 0x26, warm: vermillion, water: blue, note: orange, envelope: 0x40,
	}.palette()
}

func dark() palette {
	return base{
		back: 0x171B1E, text: 0xEDEFF0, faint: 0xA9B2B8, grid: 0x2D3338, frame: 0x6B747B,
		dark: rgba(0x000000, 0x70), band: 0x50, warm: orange, water: skyBlue, note: 0xF0E442, envelope: 0x48,
	}.palette()
}
