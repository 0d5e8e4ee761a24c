package main

import "fmt"

// The kinds of wire. Their colours are of a set that people with any common colour blindness can tell apart (from memory).
var (
	supply   = kind{"plus of the supply: thick wire", "#d55e00", 7, "10 3"}
	minus    = kind{"GND, the minus of all: thick wire", "#000000", 7, ""}
	rails    = kind{"to the rails: thick wire", "#0072b2", 7, "26 5"}
	fiveVolt = kind{"5 V from the board", "#d55e00", 3, "16 4 3 4"}
	control  = kind{"what the board commands", "#0072b2", 3, ""}
	sensed   = kind{"what the board measures", "#007a5a", 3, "9 5"}
	gate     = kind{"what a gate says", "#9c3f7b", 3, "3 4"}
	thin     = kind{"", "#000000", 3, ""} // to a GND sign
)

// pin of the board: the chip's name for it, what boards often print beside it, and how far down it is drawn.
type pin struct {
	name, mark string
	y          int
}

// The pins in the order in which they are drawn; those of the chip are in the firmware too.
var (
	supplyPin = pin{"PC5", "A5", 266}
	fivePin   = pin{"5 V", "", 356}
	phasePin  = pin{"PB1", "9", 398}
	enablePin = pin{"PD4", "4", 440}
	sensePin  = pin{"PC0", "A0", 634}
	minusPin  = pin{"GND", "", 728}
	gateFive  = pin{"5 V", "", 818}
	gatePins  = [...]pin{{"PC1", "A1", 852}, {"PC2", "A2", 886}, {"PC3", "A3", 920}, {"PC4", "A4", 954}}
	gateMinus = pin{"GND", "", 988}
)

// Where the large parts begin and end, and how large their letters are.
const (
	boardLeft, boardRight     = 30, 236
	boardTop, boardBottom     = 90, 1018
	supplyLeft                = 520
	supplyTop, supplyBottom   = boardTop, 178
	driverLeft, driverRight   = 548, 810
	driverTop, driverBottom   = 306, 768
	senseY                    = 590
	gatesLeft, gatesRight     = 400, 580
	gatesTop, gatesBottom     = 794, 1012
	plusX, minusX             = 612, 738
	leftRail, rightRail       = 640, 714
	trackTop, trackBottom     = 794, 994
	textSize, small, headline = 17, 15, 18
)

// circuit is the whole drawing.
func circuit() *drawing {
	d := &drawing{title: "The open board: wiring",
		description: "A controller board, a full-bridge driver, a DC supply with its fuse, a track and four gates, and the wires between them. " +
			"The tables in BUILDING.md say the same in words."}
	d.heading("start", 26, 30, 44, "The open board: wiring")
	d.text("start", textSize, 30, 70, "Everything switched off and unplugged while you wire.")
	d.power()
	d.divider()
	d.controls()
	d.sense()
	d.output()
	d.gates()
	d.boxes()
	d.legend()
	return d
}

// boxes draws the two large parts, over the ends of their wires.
func (d *drawing) boxes() {
	middle := (boardLeft + boardRight) / 2
	d.wire(thin, point{middle, boardBottom}, point{middle, boardBottom + 22})
	d.text("middle", textSize, middle, boardBottom+42, "USB to the computer")
	d.box(point{boardLeft, boardTop}, point{boardRight, boardBottom})
	d.heading("start", textSize, boardLeft+14, 120, "Controller board")
	d.text("start", small, boardLeft+14, 144, "ATmega328P, 16 MHz,", "5 V, USB-serial,", "its serial loader")
	d.text("start", small, boardLeft+14, 520, "PD0 and PD1 are its", "serial line: leave", "them free")
	for _, p := range append([]pin{supplyPin, fivePin, phasePin, enablePin, sensePin, minusPin, gateFive, gateMinus}, gatePins[:]...) {
		d.pin(point{boardRight, p.y})
		d.heading("end", textSize, boardRight-14, p.y+6, p.name)
		if p.mark != "" {
			d.text("end", small, boardRight-62, p.y+6, "marked "+p.mark)
		}
	}

	d.box(point{driverLeft, driverTop}, point{driverRight, driverBottom})
	d.heading("middle", headline, 690, 492, "Full-bridge driver")
	d.text("middle", small, 690, 516, "phase and enable kind,", "2 A or more,", "with a current output")
	for _, p := range []pin{{"5 V logic", "", fivePin.y}, {"PHASE", "", phasePin.y}, {"ENABLE", "", enablePin.y}, {"SENSE", "", senseY},
		{"GND", "", minusPin.y}} {
		d.pin(point{driverLeft, p.y})
		d.heading("start", textSize, driverLeft+14, p.y+6, p.name)
	}
	for _, p := range []struct {
		name  string
		x, y  int
		label int // how far below the pin its name stands
	}{{"supply", plusX, driverTop, 24}, {"GND", minusX, driverTop, 24}, {"OUT A", leftRail, driverBottom, -14}, {"OUT B", rightRail, driverBottom, -14}} {
		d.pin(point{p.x, p.y})
		d.heading("middle", textSize, p.x, p.y+p.label, p.name)
	}
}

// power is the supply, its fuse, and its minus, which is everybody's.
func (d *drawing) power() {
	d.wire(supply, point{plusX, supplyBottom}, point{plusX, driverTop})
	d.wire(minus, point{minusX, supplyBottom}, point{minusX, driverTop})
	d.wire(minus, point{boardRight, minusPin.y}, point{driverLeft, minusPin.y})
	d.text("middle", small, 392, minusPin.y+24, "short and thick")
	d.wire(fiveVolt, point{boardRight, fivePin.y}, point{driverLeft, fivePin.y})
	d.box(point{supplyLeft, supplyTop}, point{driverRight, supplyBottom})
	middle := (supplyLeft + driverRight) / 2
	d.heading("middle", headline, middle, 116, "DC supply, 12 to 16 V")
	d.text("middle", small, middle, 138, "limit 1 A; certified, isolated")
	d.pin(point{plusX, supplyBottom})
	d.heading("middle", textSize, plusX, supplyBottom-12, "+")
	d.pin(point{minusX, supplyBottom})
	d.heading("middle", textSize, minusX, supplyBottom-12, "−")
	d.fuse(point{plusX, 220})
	d.text("start", small, plusX+18, 216, "fuse", "1.25 A slow")
}

// divider brings the supply within what the chip can measure.
func (d *drawing) divider() {
	y := supplyPin.y
	d.wire(sensed, point{boardRight, y}, point{plusX, y})
	d.node(point{plusX, y})
	d.resistor(point{450, y}, false, false)
	d.text("middle", textSize, 450, y-18, "39 kΩ")
	d.node(point{330, y})
	d.wire(thin, point{330, y}, point{330, y + 66})
	d.resistor(point{330, y + 36}, true, false)
	d.text("start", textSize, 348, y+42, "10 kΩ")
	d.earth(point{330, y + 66})
	d.text("start", small, 254, y-14, "supply ÷ 4.9")
}

// controls are the two wires by which the board commands the driver.
func (d *drawing) controls() {
	d.wire(control, point{boardRight, phasePin.y}, point{driverLeft, phasePin.y})
	d.text("middle", small, 392, phasePin.y-9, "the track's signal")
	y := enablePin.y
	d.wire(control, point{boardRight, y}, point{driverLeft, y})
	d.text("middle", small, 392, y-9, "5 V: the track is live")
	d.node(point{300, y})
	d.wire(thin, point{300, y}, point{300, y + 72})
	d.resistor(point{300, y + 40}, true, false)
	d.text("start", textSize, 318, y+46, "10 kΩ")
	d.earth(point{300, y + 72})
	d.node(point{420, y})
	d.wire(thin, point{420, y}, point{420, y + 122})
	d.lamp(point{420, y + 34})
	d.text("start", textSize, 456, y+40, "lamp")
	d.resistor(point{420, y + 88}, true, false)
	d.text("start", textSize, 438, y+94, "1 kΩ")
	d.earth(point{420, y + 122})
}

// sense brings the driver's current output to what the firmware reckons with, and takes out what is much shorter than an acknowledgement.
func (d *drawing) sense() {
	y := sensePin.y
	d.wire(sensed, point{driverLeft, senseY}, point{500, senseY}, point{500, y})
	d.wire(thin, point{500, y}, point{500, 688})
	d.wire(sensed, point{boardRight, y}, point{490, y})
	d.trimmer(point{500, y})
	d.text("end", textSize, 482, 664, "10 kΩ")
	d.text("end", textSize, 482, 684, "trimmer")
	d.earth(point{500, 688})
	d.resistor(point{408, y}, false, false)
	d.text("middle", textSize, 408, y-18, "1 kΩ")
	d.node(point{300, y})
	d.wire(thin, point{300, y}, point{300, 688})
	d.capacitor(point{300, 662})
	d.text("start", textSize, 326, 668, "47 nF")
	d.earth(point{300, 688})
	d.text("start", small, 254, y-14, "4 mV a mA")
}

// gates are the sensors at the track; one box stands for all four.
func (d *drawing) gates() {
	d.wire(fiveVolt, point{boardRight, gateFive.y}, point{gatesLeft, gateFive.y})
	d.wire(minus, point{boardRight, gateMinus.y}, point{gatesLeft, gateMinus.y})
	d.box(point{gatesLeft, gatesTop}, point{gatesRight, gatesBottom})
	for i, p := range gatePins {
		d.wire(gate, point{boardRight, p.y}, point{gatesLeft, p.y})
		d.pin(point{gatesLeft, p.y})
		d.heading("start", textSize, gatesLeft+14, p.y+6, fmt.Sprintf("gate %d", i+1))
		d.beam(point{gatesRight, p.y}, rightRail+34)
	}
	for _, p := range []pin{gateFive, gateMinus} {
		d.pin(point{gatesLeft, p.y})
		d.heading("start", textSize, gatesLeft+14, p.y+6, p.name)
	}
	d.text("end", small, gatesRight-10, gatePins[0].y+5, "0 V")
	d.text("end", small, gatesRight-10, gatePins[1].y+5, "where")
	d.text("end", small, gatesRight-10, gatePins[2].y+5, "a train")
	d.text("end", small, gatesRight-10, gatePins[3].y+5, "stands")
}

// output is the track, and the load that stands in for a vehicle while the current is trimmed.
func (d *drawing) output() {
	d.wire(rails, point{leftRail, driverBottom}, point{leftRail, trackTop})
	d.wire(rails, point{rightRail, driverBottom}, point{rightRail, trackTop})
	d.track(leftRail, rightRail, trackTop, trackBottom)
	d.heading("start", textSize, 758, 880, "track")
	d.text("start", small, 758, 900, "joined", "to no", "other")
	y := trackBottom + 30
	d.wire(thin, point{leftRail, trackBottom}, point{leftRail, y}, point{rightRail, y}, point{rightRail, trackBottom})
	d.resistor(point{(leftRail + rightRail) / 2, y}, false, true)
	d.text("middle", small, (leftRail+rightRail)/2, y+32, "100 Ω 5 W: steps 8, 9 only")
}

// legend says what the lines and signs mean.
func (d *drawing) legend() {
	place := func(i int) point { return point{30 + i/5*400, 1088 + i%5*20} }
	kinds := []kind{supply, minus, rails, fiveVolt, control, sensed, gate}
	for i, k := range kinds {
		p := place(i)
		d.wire(k, point{p.x, p.y - 5}, point{p.x + 50, p.y - 5})
		d.text("start", small, p.x+62, p.y, k.name)
	}
	p := place(len(kinds))
	d.earth(point{p.x + 25, p.y - 14})
	d.text("start", small, p.x+62, p.y, "joined to GND")
	p = place(len(kinds) + 1)
	d.node(point{p.x + 25, p.y - 5})
	d.text("start", small, p.x+62, p.y, "wires joined here")
	p = place(len(kinds) + 2)
	d.beam(point{p.x, p.y - 5}, p.x+50)
	d.text("start", small, p.x+62, p.y, "the gate's light beam, no wire")
}
