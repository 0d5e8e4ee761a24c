package cv

import "fettle/nmra"

// knowledge is a line of the standard's table of registers, in our words.
type knowledge struct {
	first, last nmra.CV
	name        string
	level       Level
	preset      int16 // the default, or none
	low, high   uint8
	readOnly    bool
	bits        []bitKnowledge
	about       []string
	meaning     func(r Register, v uint8, context Values) []string // of a value that is in range
}

type bitKnowledge struct {
	number  uint8
	name    string
	off, on string
}

const none = -1

// knowledgeOf finds the line of a register.
func knowledgeOf(r Register) knowledge {
	for _, k := range table {
		if r.CV >= k.first && r.CV <= k.last {
			return k
		}
	}
	return knowledge{
		first: r.CV, last: r.CV, name: "no meaning known", preset: none, high: 255,
		about: []string{"The standard reserves it or leaves it open. A decoder may use it all the same."},
	}
}

// plain is the line of registers that any value goes into.
func plain(first, last nmra.CV, name string, level Level, about ...string) knowledge {
	return knowledge{first: first, last: last, name: name, level: level, preset: none, high: 255, about: about}
}

func (k knowledge) means(f func(Register, uint8, Values) []string) knowledge { k.meaning = f; return k }
func (k knowledge) within(low, high uint8) knowledge                         { k.low, k.high = low, high; return k }
func (k knowledge) defaults(preset uint8) knowledge                          { k.preset = int16(preset); return k }
func (k knowledge) reads() knowledge                                         { k.readOnly = true; return k }
func (k knowledge) with(bits ...bitKnowledge) knowledge                      { k.bits = bits; return k }

const (
	makersOwn     = "The maker says what it is for; the standard does not."
	bitTells      = "A decoder that lacks a feature must not let its bit be set: a bit that will not set says so."
	reserved      = "reserved"
	reservedOn    = "reserved by the standard, yet set"
	reservedClear = "reserved by the standard"
)

// table is S-9.2.2 (July 2012), in ascending order.
var table = [...]knowledge{
	plain(1, 1, "primary address", Mandatory,
		"The short address, in use while bit 5 of 29 is off.",
		"Writing it clears bit 5 of 29 and the consist address in 19 (S-9.2.3).").within(1, 127).defaults(3).means(shortAddress),
	plain(2, 2, "start voltage", Recommended, "The motor's voltage at the first step, of 255 parts of the rectified supply.").means(partOf255),
	plain(3, 3, "acceleration", Recommended, "Seconds for each step faster: value x 0.896 / steps in use.").means(momentum),
	plain(4, 4, "deceleration", Recommended, "Seconds for each step slower: value x 0.896 / steps in use.").means(momentum),
	plain(5, 5, "high voltage", Optional, "The motor's voltage at the highest step. 0 and 1: not used.").means(partOf255OrUnused),
	plain(6, 6, "mid voltage", Optional, "The motor's voltage at the middle step. 0 and 1: not used.").means(partOf255OrUnused),
	plain(7, 7, "version", Mandatory, "The maker's number for this version of the decoder.").reads().means(version),
	plain(8, 8, "maker's number", Mandatory,
		"Who made the decoder, by the NMRA's list; 238: the number is in 107 and 108.",
		"8 written to it asks for a factory reset, and it reads 255 until that is complete (S-9.2.3).").reads().means(maker),
	plain(9, 9, "motor PWM period", Optional, "Period of the motor's pulses: (131 + 4 x bits 4-0) x 2^(bits 7-5) µs.").means(period),
	plain(10, 10, "EMF feedback cut-out", Optional, "Where the motor's feedback leaves off."),
	plain(11, 11, "packet time-out", Recommended, "How long the vehicle runs on without a packet to it."),
	plain(12, 12, "power source conversion", Optional, "Which other power the decoder runs on, where bit 2 of 29 allows it."),
	plain(13, 14, "functions on other power", Optional, "Which functions are on while there is no DCC signal."),
	plain(15, 16, "decoder lock", Optional,
		"Writes are obeyed only while 15 and 16 hold the same.",
		// Common practice, no source.
		"Change 16 only with one decoder on the track, and write its value down: whoever does not know it is locked out.").means(lock),
	plain(17, 18, "extended address", Optional,
		"The long address, in use while bit 5 of 29 is on: (CV 17 - 192) x 256 + CV 18, CV 17 from 192 to 231.",
		"The two are a pair: what is written to 17 takes effect when 18 is written.").means(longAddress),
	plain(19, 19, "consist address", Optional, "The consist that the vehicle runs in, bits 6-0; 0: none.").means(consist).with(
		bitKnowledge{7, "direction in the consist", "the same way as the consist", "reversed"}),
	plain(21, 22, "functions in a consist", Optional, "Which functions obey the consist address."),
	plain(23, 23, "acceleration trim", Optional, "Added to acceleration, or taken from it: bits 6-0 x 0.896 / steps in use.").means(trim).with(
		bitKnowledge{7, "sign", "adds", "subtracts"}),
	plain(24, 24, "deceleration trim", Optional, "Added to deceleration, or taken from it: bits 6-0 x 0.896 / steps in use.").means(trim).with(
		bitKnowledge{7, "sign", "adds", "subtracts"}),
	plain(25, 25, "speed curve choice", Optional, "Chooses one of the curves that the maker has built in."),
	plain(27, 27, "automatic stopping", Optional, "What on the track makes the vehicle stop by itself.", bitTells).means(stopping).with(
		bitKnowledge{0, "asymmetric signal, right rail", "ignored", "stops where the signal is more positive on the right rail"},
		bitKnowledge{1, "asymmetric signal, left rail", "ignored", "stops where the signal is more positive on the left rail"},
		bitKnowledge{2, "signal-controlled cut-out", "ignored", "stops where it is seen"},
		bitKnowledge{3, reserved, reservedClear, reservedOn},
		bitKnowledge{4, "reverse DC", "ignored", "stops on DC that would drive it in reverse"},
		bitKnowledge{5, "forward DC", "ignored", "stops on DC that would drive it forward"},
		bitKnowledge{6, reserved, reservedClear, reservedOn},
		bitKnowledge{7, reserved, reservedClear, reservedOn}),
	plain(28, 28, "bidirectional communication", Optional, "What the decoder may say while bit 3 of 29 is on."),
	plain(29, 29, "configuration", Mandatory, bitTells).means(configuration).with(
		bitKnowledge{0, "direction", "as built", "reversed: forward drives the vehicle backward"},
		bitKnowledge{1, "speed steps", "14; bit 4 of a speed packet is the light", "28 and 128"},
		bitKnowledge{2, "other power", "runs on DCC only", "runs on the power that 12 names where there is no DCC"},
		bitKnowledge{3, "bidirectional communication", "off", "on, as 28 has it"},
		bitKnowledge{4, "speed curve", "from 2, 5 and 6", "the table in 66 to 95"},
		bitKnowledge{5, "address", "short, from 1", "long, from 17 and 18"},
		bitKnowledge{6, reserved, reservedClear, reservedOn},
		bitKnowledge{7, "kind of decoder", "of a vehicle", "of accessories: the other bits then mean other things"}),
	plain(30, 30, "error information", Optional, "What the decoder has found wrong with itself, in the maker's numbers."),
	plain(31, 31, "index high", Optional, "With 32 chooses the page behind 257 to 512; 0 to 15 are reserved.").means(index),
	plain(32, 32, "index low", Optional, "With 31 chooses the page behind 257 to 512.").means(index),
	plain(33, 46, "output mapping", Optional, "Which outputs a function switches."),
	plain(47, 64, "maker's own", Optional, makersOwn),
	plain(65, 65, "kick start", Optional, "A push when the vehicle sets off from standstill."),
	plain(66, 66, "forward trim", Optional, "Going forward, the speed is multiplied by value / 128; 0: not implemented.").means(directionTrim),
	plain(67, 94, "speed table", Optional, "28 speeds, in use while bit 4 of 29 is on; 67 is the slowest step, 94 the fastest.").means(tableEntry),
	plain(95, 95, "reverse trim", Optional, "Going in reverse, the speed is multiplied by value / 128; 0: not implemented.").means(directionTrim),
	plain(105, 106, "owner's number", Optional, "For the owner to number his decoders with; it does nothing."),
	plain(107, 108, "extended maker's number", "", "Who made the decoder, where 8 holds 238.").reads(),
	plain(109, 111, "extended version", "", "The version at greater length than 7.").reads(),
	plain(112, 256, "maker's own", Optional, makersOwn),
	plain(257, 512, "indexed area", Optional, "What it is for depends on the page that 31 and 32 choose.").means(paged),
	plain(513, 879, "maker's own", "", makersOwn),
	plain(880, 891, "volatile", "", "Changes as the decoder works, and is lost with its power."),
	plain(892, 892, "load", "", "Volatile: how hard the motor works."),
	plain(893, 893, "flags", "", "Volatile: states of the decoder, a bit each."),
	plain(894, 894, "fuel", "", "Volatile: what is left of the fuel."),
	plain(895, 895, "water", "", "Volatile: what is left of the water."),
	plain(896, 1024, "bus modules", Optional, "For modules on the decoder's own bus, such as a sound module."),
}
