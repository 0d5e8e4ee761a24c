package conform

import (
	"math"
	"time"
)

// RuleID is one of the rules that a [Meter] measures by: an index into [Result.Rules].
type RuleID uint8

const (
	OneSent            RuleID = iota // half of a one, as a station may send it
	OneAccepted                      // half of a one, as a decoder must accept it
	DifferenceSent                   // between the two halves of a one, as sent
	DifferenceAccepted               // between the two halves of a one, as accepted
	ZeroSent                         // half of a zero, as sent
	ZeroAccepted                     // half of a zero, as accepted
	WholeZero                        // both halves of a zero, stretched or not
	PreambleSent                     // ones before a packet, as sent
	PreambleAccepted                 // ones before a packet, as accepted
	PreambleService                  // ones before a packet in service mode
	PacketBytes                      // bytes of a packet
	CheckByte                        // of a packet
	EndBit                           // of a packet
	Whole                            // packets that do not break off
	BehindEnd                        // how long the signal goes on behind a packet
	Apart                            // from a packet to the next one to the same address
	Often                            // from a packet to the next
	BehindReset                      // from a reset to a packet that could be taken for one of service mode
	ruleCount
)

// Unit is what a [Rule] is measured in.
type Unit string

const (
	Count        Unit = "" // there is nothing to measure, only what is not as it should be
	Bits         Unit = "bits"
	Bytes        Unit = "bytes"
	Microseconds Unit = "µs"
	Milliseconds Unit = "ms"
	Volts        Unit = "V"
)

// Verdict says whether a rule was kept.
type Verdict uint8

const (
	NotSeen Verdict = iota // nothing was there that the rule is about
	Kept
	Broken
	Unclear // something was outside the limits, by less than the capture can tell
)

var verdictWords = [...]string{"not seen", "kept", "broken", "unclear"}

// String is the verdict in one word or two: "kept".
func (v Verdict) String() string {
	if int(v) < len(verdictWords) {
		return verdictWords[v]
	}
	return "unknown verdict"
}

// Limits are those of a rule, in its unit. 0 is no limit.
type Limits struct{ Least, Most float64 }

// Rule is one rule of a standard, and what was measured by it. Values are in Unit.
type Rule struct {
	Section string // "S-9.2, section A"
	Name    string // "half of a one, sent"
	Unit    Unit
	Limits  Limits

	Seen                int64   // how many were measured
	Least, Median, Most float64 // of them; Median to 10 ns or 10 mV, or where it is long to 1 in 128

	Outside int64         // how many were outside the limits, for sure
	Unsure  int64         // how many more were outside, by less than can be told of them
	First   time.Duration // where the first one outside begins, or where there is none for sure the first that is unsure; on the [Meter]'s clock

	Verdict Verdict
}

// quantity is what is measured. One quantity may have several rules, each with its limits.
type quantity uint8

const (
	oneHalf quantity = iota
	difference
	zeroHalf
	wholeZero
	preamble
	servicePreamble
	packetBytes
	checkByte
	endBit
	whole
	behindEnd
	apart
	often
	behindReset
	quantityCount
)

// quantities says how each is measured: in what it is told, how many of what it is measured in make one of that, how finely it is counted,
// and how many steps of the signal's time it may be off. The crossings that a time lies between are each off by up to half a step; in the
// difference of two halves the one between them counts twice.
var quantities = [quantityCount]struct {
	unit  Unit
	of    float64
	grain int64
	steps int64
}{
	oneHalf:         {Microseconds, 1e3, timeGrain, 1},
	difference:      {Microseconds, 1e3, timeGrain, 2},
	zeroHalf:        {Microseconds, 1e3, timeGrain, 1},
	wholeZero:       {Microseconds, 1e3, timeGrain, 1},
	preamble:        {Bits, 1, 1, 0},
	servicePreamble: {Bits, 1, 1, 0},
	packetBytes:     {Bytes, 1, 1, 0},
	checkByte:       {Count, 1, 1, 0},
	endBit:          {Count, 1, 1, 0},
	whole:           {Count, 1, 1, 0},
	behindEnd:       {Microseconds, 1e3, timeGrain, 1},
	apart:           {Milliseconds, 1e6, timeGrain, 1},
	often:           {Milliseconds, 1e6, timeGrain, 1},
	behindReset:     {Milliseconds, 1e6, timeGrain, 1},
}

// What the standards ask, in nanoseconds, bits or bytes; 0 is no limit. What is counted has none. The letters of the sections are from memory.
var rules = [ruleCount]struct {
	section, name string
	of            quantity
	least, most   int64
}{
	// NMRA S-9.1 (2020).
	OneSent:            {"S-9.1", "half of a one, sent", oneHalf, 55_000, 61_000},
	OneAccepted:        {"S-9.1", "half of a one, accepted", oneHalf, 52_000, 64_000},
	DifferenceSent:     {"S-9.1", "difference of the halves of a one, sent", difference, 0, 3_000},
	DifferenceAccepted: {"S-9.1", "difference of the halves of a one, accepted", difference, 0, 6_000},
	ZeroSent:           {"S-9.1", "half of a zero, sent", zeroHalf, 95_000, 9_900_000},
	ZeroAccepted:       {"S-9.1", "half of a zero, accepted", zeroHalf, 90_000, 10_000_000},
	WholeZero:          {"S-9.1", "whole zero", wholeZero, 0, 12_000_000},
	// NMRA S-9.2 (July 2004); S-9.2.1 (July 2012) for the bytes, S-9.2.3 (July 2012) for service mode.
	PreambleSent:     {"S-9.2, section A", "preamble, sent", preamble, 14, 0},
	PreambleAccepted: {"S-9.2, section A", "preamble, accepted", preamble, 10, 0},
	PreambleService:  {"S-9.2.3, section E", "preamble in service mode", servicePreamble, 20, 0},
	PacketBytes:      {"S-9.2.1", "bytes of a packet", packetBytes, 3, 6},
	CheckByte:        {"S-9.2, section A", "check byte", checkByte, 0, 0},
	EndBit:           {"S-9.2, section A", "end bit", endBit, 0, 0},
	Whole:            {"S-9.2, section A", "packets and bits that do not break off", whole, 0, 0},
	BehindEnd:        {"S-9.2, section A", "signal behind an end bit", behindEnd, 26_000, 0},
	Apart:            {"S-9.2, section C", "between packets to one address", apart, 5_000_000, 0},
	Often:            {"S-9.2, section C", "from packet to packet", often, 0, 30_000_000},
	BehindReset:      {"S-9.2, section B", "from a reset to addresses 100 to 127", behindReset, 20_000_000, 0},
}

// rulesOf has the rules of each quantity.
var rulesOf = func() (of [quantityCount][]RuleID) {
	for id, r := range rules {
		of[r.of] = append(of[r.of], RuleID(id))
	}
	return of
}()

// strictest has the limits between which a value keeps all rules of its quantity.
var strictest = func() (of [quantityCount]struct{ least, most int64 }) {
	for q := range of {
		of[q].most = math.MaxInt64
	}
	for _, r := range rules {
		of[r.of].least = max(of[r.of].least, r.least)
		if r.most > 0 {
			of[r.of].most = min(of[r.of].most, r.most)
		}
	}
	return of
}()
