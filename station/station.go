// Package station says what a command station can do, as small interfaces, each used where it is needed, and opens one by name.
//
// A station implements those that it is able to: one for the programming track alone has [ProgrammingTrack] and nothing
// else. Start with [Open]; ask for an ability with a type assertion:
//
//	s, err := station.Open("bench:tram-3")
//	if err != nil {
//		return err
//	}
//	defer s.Close()
//	track, ok := s.(station.ProgrammingTrack)
//
// The stations themselves are in the packages below this one. Each makes itself known with [Register] when it is imported.
package station

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"fettle/nmra"
)

// Station is what every station is: something that can be described and closed. Close turns the track off.
type Station interface {
	Describe() Description
	io.Closer
}

// Description tells a person what is at the other end.
type Description struct {
	Kind      string // "simulated bench", "open board"
	Title     string // what it is, or what stands on it: "harbour tram 3"
	Simulated bool   // nothing that is real moves
}

// String is the first line of what a command prints: "simulated bench: harbour tram 3".
func (d Description) String() string {
	if d.Title == "" {
		return d.Kind
	}
	return d.Kind + ": " + d.Title
}

// Power turns a track on and off. The programming track starts up as S-9.2.3, section D, has it. PowerOn on a track that
// is on, and PowerOff on one that is off, do nothing. Errors of PowerOn: [Overload], [ErrStation].
type Power interface {
	PowerOn(ctx context.Context) (Draw, error)
	PowerOff(ctx context.Context) error
}

// Draw is what the track was seen to do while its power came on.
type Draw struct {
	Rest       Milliamps     // once all was at rest; 0 where nothing draws any current
	Unmeasured bool          // the station can't tell: Rest is 0 and says nothing
	Airtime    time.Duration // how long it took, the time without power included
}

// ProgrammingTrack does one service-mode access at a time: it plays the packets of nmra.Access.Sequence, or has its own
// firmware do so, and listens for the acknowledgement. The track must be on. No answer is not an error.
//
// Between two accesses a station sends resets and nothing else, with no pause of 20 ms or more, so that a decoder stays in service
// mode (S-9.2.3, section E): an access whose Lead is not nmra.Entry relies on it. A station that can't, or whose firmware has
// sequences of its own, plays every access with the resets of nmra.Entry, which is slower and no less right. Errors: [Overload],
// [ErrStation], nmra.ErrNotInMode, the context's; after the context's the access was either done whole or not begun.
type ProgrammingTrack interface {
	Power
	Service(ctx context.Context, a nmra.Access) (Answer, error)
}

// Reader is a programming track whose station can also read a whole register by itself. What it says it has read is worth asking for
// first, and no proof: how it came to it is not known.
type Reader interface {
	ProgrammingTrack
	// Read gives the value where the answer is acknowledged. Errors: as those of Service.
	Read(ctx context.Context, mode nmra.Mode, cv nmra.CV) (value uint8, answer Answer, err error)
}

// Answer is what followed a service-mode access.
type Answer struct {
	Acknowledged bool
	Pulse        time.Duration // how long the current stood above the threshold; 0 where the station can't tell
	Height       Milliamps     // how far above rest, at most; 0 where the station can't tell
	Rest         Milliamps     // before the pulse
	Airtime      time.Duration // how long the track was in use
}

// Main sends packets on the main track: each of the packet's repeats follows the one before with no other packet between.
type Main interface {
	Power
	Send(ctx context.Context, p nmra.Packet, times int) error
}

// Gates are sensors at the track that say when a vehicle passes.
type Gates interface {
	// Gate waits for the next edge. Errors: [ErrStation], the context's.
	Gate(ctx context.Context) (GateEdge, error)
}

// GateEdge is a gate that has closed, since something stands in it, or opened.
type GateEdge struct {
	Gate   int // from 1
	Closed bool
	At     time.Duration // on a clock of the station's own: only differences mean anything
}

// Checker is a station that has checks of its own, beside those of what it implements: a board's supply, a profile's templates.
type Checker interface {
	// Checks lists them in the order in which they are to be done.
	Checks() []Check
}

// Check is one ability of a station, to be proven.
type Check struct {
	Name  string // a noun in lower case: "supply", "template verify_byte"
	Scene Scene
	// Run proves it. saw is what was seen, in words. The error says what is wrong and what to do about it.
	Run func(ctx context.Context) (saw string, err error)
}

// Scene is what has to be on the track, and whether its power is on, while a check runs.
type Scene uint8

const (
	PowerOff    Scene = iota // nothing on the track, its power off
	EmptyTrack               // nothing on the track, its power on
	WithDecoder              // one decoder on the track, its power on
	HandAtGate               // nothing on the track, its power off; a person closes and opens each gate
)

// Milliamps is a track current.
type Milliamps float64

// ErrStation is what errors of a station that failed wrap: unplugged, silent, or answering what can't be understood.
var ErrStation = errors.New("the station failed")

// ErrLost is what errors of a station wrap that can't be reached any more, or does not answer: its cable is out, its port is gone, it
// has started anew. It is an [ErrStation].
var ErrLost = fmt.Errorf("it can't be reached: %w", ErrStation)

// MostCurrent is how much a programming track gives for longer than MostCurrentTime.
//
// NMRA S-9.2.3 (July 2012), section D.
const (
	MostCurrent     Milliamps = 250
	MostCurrentTime           = 100 * time.Millisecond
)

// Overload is the error of a track that cut its power since too much current flowed: more than 250 mA for over 100 ms on the
// programming track (S-9.2.3, section D).
type Overload struct{ Current Milliamps }

func (o Overload) Error() string {
	return fmt.Sprintf("overload: %.0f mA on the programming track, at most %.0f mA are allowed; its power is off", o.Current, MostCurrent)
}

var openers = map[string]func(rest string) (Station, error){}

// Register makes a kind of station known to [Open]. Packages call it from init; open gets what follows "KIND:".
func Register(kind string, open func(rest string) (Station, error)) { openers[kind] = open }

// Open opens the station that where names, as "KIND:REST": "bench:tram-3". It fails for a kind that no imported package has registered.
func Open(where string) (Station, error) {
	kind, rest, ok := strings.Cut(where, ":")
	open, known := openers[kind]
	if !ok || !known {
		return nil, fmt.Errorf("station %q: want one of %s, then what it is to open", where, kinds())
	}
	return open(rest)
}

func kinds() string {
	return strings.Join(slices.Sorted(maps.Keys(openers)), ":, ") + ":"
}
