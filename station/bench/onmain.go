package bench

import (
	"fettle/nmra"
	"fettle/nmra/cv"
)

// onMain takes a valid packet that is not one for service mode. Registers change by access to them, by a hard reset, by a consist
// and by the choice of address; everything else drives the vehicle, as [Decoder.obey] has it, which has no effect on them.
func (d *Decoder) onMain(p nmra.Packet) {
	coded := nmra.MainTrack14
	if d.at(configuration)&manySteps != 0 {
		coded = nmra.MainTrack
	}
	i, err := p.Instruction(coded)
	if !d.addressed(p, i) {
		return
	}
	if p == d.lastToUs {
		d.runToUs++
	} else {
		d.lastToUs, d.runToUs = p, 1
	}
	if err != nil {
		return
	}
	// S-9.2.1: access to a CV takes two identical packets, with no other packet to the decoder between them.
	d.obey(i)
	switch {
	case d.runToUs == 2 && (i.Kind == nmra.MainWrite || i.Kind == nmra.MainWriteShort):
		d.write(i.CV, i.Value)
	case d.runToUs == 2 && i.Kind == nmra.MainWriteBit:
		d.writeBit(i.CV, i.Bit, i.BitValue)
	case d.runToUs != 1:
	case i.Kind == nmra.HardReset:
		d.hardReset()
	case i.Kind == nmra.ExtendedAddressing:
		d.writeBit(configuration, 5, i.On)
	case i.Kind == nmra.SetConsist:
		value := i.Consist
		if !i.Forward && value != 0 {
			value |= 1 << 7
		}
		d.write(consistAddress, value)
	}
}

// addressed says whether a packet is to this decoder: by its own address, by that of its consist, or as one of all.
func (d *Decoder) addressed(p nmra.Packet, i nmra.Instruction) bool {
	extended := d.at(configuration)&extendedAddress != 0
	switch a := i.Address; a.Kind {
	case nmra.Broadcast:
		// An idle packet and one that makes no sense have no address either.
		return p.Byte(0) == 0
	case nmra.Short:
		consist := d.at(consistAddress) & 0x7F
		return a.Number == uint16(consist) || !extended && a.Number == uint16(d.at(primaryAddress))
	case nmra.Long:
		return extended && a.Number == uint16(d.at(addressHigh)&0x3F)<<8|uint16(d.at(addressLow))
	}
	return false
}

// hardReset puts back what decides how the decoder is addressed and read: CV 29, 31 and 32 as its maker had them, CV 19 to 0
// (S-9.2.1, decoder control; from memory).
func (d *Decoder) hardReset() {
	if d.updating || d.locked() {
		return
	}
	var u update
	for _, n := range [...]nmra.CV{configuration, indexHigh, indexLow} {
		d.alter(&u, n, 0xFF, d.spec.Registers[cv.Register{CV: n}])
	}
	d.alter(&u, consistAddress, 0xFF, 0)
	d.begin(u)
}
