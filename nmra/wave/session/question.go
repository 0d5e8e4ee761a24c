package session

import (
	"strings"
	"time"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/nmra/wave"
)

// Question is one question to the decoder, or one change of it: identical service-mode packets in a row.
//
// Setting the page register is no question of its own: it is a part of the next one. What has no [nmra.Access] is left out: verifies of
// the page register, and packets that S-9.2.3 reserves.
type Question struct {
	At  time.Duration // of the start bit of its first packet
	End time.Duration // of the end bit of its last packet

	// What was asked or written. Register, paged and address-only mode have the same packets for CV 1 to 4: these are Registers, or Paged
	// once another page than 1 has been set while the power is on; never AddressOnly. Lead is what came before a verify in direct mode, and
	// Entry with all others. Pace is always Standard: Packets says more.
	Access nmra.Access

	// Register is the CV on the page that 31 and 32 choose, as far as that is known by then. Without a page where the register has none, and
	// where none is known; Unplaced then says so.
	Register cv.Register
	Packets  int // how many, in a row

	Answer Answer
	Height wave.Milliamps // of the pulse above rest, at most; 0 where there was none
	Length time.Duration  // of the pulse, short breaks in it included; 0 where there was none

	Departures Departures
}

// Answer is what came back.
type Answer uint8

const (
	Unheard      Answer = iota // there is no current for the time in which it may come, or nothing was to come
	Silent                     // nothing came
	Acknowledged               // a pulse of the height and the length that S-9.2.3 has, or a little off its length
	TooWeak                    // a pulse of less than 60 mA
	TooShort                   // a pulse of less than 4.5 ms, or one that is mostly breaks
	TooLong                    // a pulse of more than 8.5 ms
)

var answerWords = [...]string{"not heard", "silent", "acknowledged", "pulse too weak", "pulse too short", "pulse too long"}

// String is the answer in a few words: "acknowledged".
func (a Answer) String() string {
	if int(a) < len(answerWords) {
		return answerWords[a]
	}
	return "unknown answer"
}

// Departures is a set of ways in which a sequence is not as S-9.2.3 has it, or can't be told from it. Sets are joined with |; the zero
// Departures is none.
type Departures uint16

const (
	OnePacket     Departures = 1 << iota // a decoder must not act before a second one
	FewPackets                           // fewer than 5 of the question, though nothing was acknowledged, or of setting its page
	FewResets                            // fewer before it, or before setting its page, than there have to be
	ShortPreamble                        // fewer than 20 ones before one of its packets
	ShortRecovery                        // fewer than 6 resets or repeats behind a write, though nothing was acknowledged
	BrokenOff                            // the mode was left, or the capture ended, before the sequence was whole
	NoPage                               // the page register was not set before: the CV is that of register mode, if it is that
	Unplaced                             // a CV from 257 to 512 while it is not known what 31 and 32 hold
)

var departureWords = [...]string{
	"one packet only: a decoder must not act on it",
	"fewer packets than S-9.2.3 asks for",
	"fewer resets before it than S-9.2.3 asks for",
	"short preamble",
	"short recovery",
	"broken off",
	"the page register was not set: which CV it is, is not known",
	"which page CV 31 and 32 choose is not known",
}

// Words says each departure of the set.
func (d Departures) Words() []string {
	var words []string
	for i, w := range departureWords {
		if d&(1<<i) != 0 {
			words = append(words, w)
		}
	}
	return words
}

// String joins the words with semicolons; "" for none.
func (d Departures) String() string { return strings.Join(d.Words(), "; ") }
