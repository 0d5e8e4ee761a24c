// Package link is the serial line between Fettle and the open board: which frames there are, what each of them says, and how
// they travel.
//
// On the line, 8N1 at [Baud], a frame is its type, its number, its payload and a CRC-16 (CRC-16/GENIBUS) of these, the high byte
// first, all of it encoded by COBS (consistent overhead byte stuffing) and followed by a zero byte; so a zero byte is never part
// of a frame, and whoever has lost his place finds it again at the next one. Figures in a payload have their low byte first.
//
// [Table] is the one place that says which frames there are. The firmware's frames.h is made from it (go generate), and
// testdata/vectors.txt holds frames with their bytes, against which both the Go and the C are tested.
//
// # Who may say what
//
// The host asks, the board answers with the same type and number, plus [AnswerBit]; or with [Refused]. A request that is not
// answered in time is sent again, with the same number.
//
// Hello, State and Off may be done twice without harm: the board does them whenever they come. On and Train may not: the board
// numbers them, from the Next of its [HelloAnswer] on. It does one that has the next number, sends its answer again for one that
// has the number just done, keeps silent for one that it is doing, and refuses every other. So a frame that was lost, repeated,
// delayed or cut never makes it do anything twice.
//
// The board speaks unasked only in events: Gate and Cut, numbered on their own and sent again until the host has answered with
// the same type and number plus AnswerBit; and Started, once, with number 0, when its program begins.
package link

//go:generate go run ./header frames.go ../firmware/portable/frames.h

// Baud is the speed of the line in bits per second.
const Baud = 115200

// Version is that of this link. A board with another one is not talked to.
const Version = 1

// MaxPayload bounds a payload, in bytes.
const MaxPayload = 120

// MaxLine bounds a frame as it travels, in bytes: type and number, payload, CRC, and the code byte and the zero byte of COBS.
const MaxLine = 2 + MaxPayload + 2 + 2

// Type says what a frame is.
type Type uint8

const (
	Hello   Type = 0x01 // who is there?
	State   Type = 0x02 // how are you? Also a sign of life
	Off     Type = 0x03 // turn the track off; a train that is playing ends
	On      Type = 0x04 // turn the track on
	Train   Type = 0x05 // play packets and listen; answered when all is played
	Gate    Type = 0x20 // event: a gate has changed
	Cut     Type = 0x21 // event: the board has turned the track off by itself
	Started Type = 0x22 // event: the board's program has begun anew, with its track off
	Refused Type = 0x7F // with AnswerBit: the board won't

	// AnswerBit in a type makes it the answer to a frame of that type.
	AnswerBit Type = 0x80
)

// Table is every frame, in the order of its type. Said is what the frame carries, Answer what its answer does; an empty struct is no
// payload, nil that there is no such frame.
var Table = [...]struct {
	Type   Type
	Name   string
	Once   bool // numbered by the board, and done once only
	Said   any
	Answer any
	Behind int // how many bytes at least come behind Said, with no more than MaxPayload in all; 0 that none may
}{
	{Hello, "hello", false, struct{}{}, HelloAnswer{}, 0},
	{State, "state", false, struct{}{}, StateAnswer{}, 0},
	{Off, "off", false, struct{}{}, StateAnswer{}, 0},
	{On, "on", true, OnRequest{}, StateAnswer{}, 0},
	{Train, "train", true, TrainRequest{}, TrainAnswer{}, 3 + 3}, // one step: its StepHead, and the shortest packet
	{Gate, "gate", false, GateEvent{}, struct{}{}, 0},
	{Cut, "cut", false, CutEvent{}, struct{}{}, 0},
	{Started, "started", false, StartedEvent{}, nil, 0},
	{Refused, "refused", false, nil, RefusedAnswer{}, 0},
}

// HelloAnswer says who is there.
type HelloAnswer struct {
	Link             uint8  // Version
	Firmware         uint16 // its version
	Next             uint8  // the number of the next On or Train that it does
	Gates            uint8  // how many gates it has
	ProgrammingLimit uint16 // the highest Limit of On for the programming track, in mA
	RunningLimit     uint16 // and for running
	ShortLimit       uint16 // the current in mA above which it cuts the track at once, whatever On says
	SilenceMS        uint16 // how long the host may be silent while the track is on
	MaxTrain         uint8  // the longest payload of a Train
}

// Tracks, in StateAnswer and OnRequest.
const (
	TrackOff uint8 = iota
	TrackProgramming
	TrackRunning
)

// Causes of a track that is off.
const (
	CauseAsked    uint8 = iota // the host wanted it, or it has not been on
	CauseOverload              // more than Limit for longer than On allows
	CauseShort                 // more than ShortLimit
	CauseSilence               // of the host
)

// StateAnswer says how the board is. Tenths are of a mA.
type StateAnswer struct {
	Track         uint8
	Cause         uint8  // of an off track
	CurrentTenths uint16 // the mean of the last millisecond or so; 0 while off
	HighestTenths uint16 // since the track was last turned on
	SupplyTenths  uint16 // the supply in tenths of a volt
	ClockMicros   uint32 // the board's clock, which wraps
	Gates         uint8  // bit 0 is gate 1: 1 where it is closed
}

// OnRequest turns the track on. While no train is playing it carries ones, and before a decoder could miss them resets (programming)
// or idle packets (running).
type OnRequest struct {
	Track       uint8  // TrackProgramming or TrackRunning
	LimitMA     uint16 // at most what HelloAnswer says
	AllowedMS   uint8  // how long the current may be above the limit, what it is below taken off again; at most 100
	ThresholdMA uint16 // how far above rest an acknowledgement is; on the programming track neither this nor the next is 0
	EnoughUS    uint16 // and for how long, in all
}

// TrainRequest is the beginning of a train. Behind it come its steps, as many as fill the payload, each of it a [StepHead] and then
// the packet's bytes, check byte included. A packet whose check byte is wrong is refused.
type TrainRequest struct {
	Preamble uint8 // ones before each packet, 14 to 150: with more, packets might start 30 ms apart
}

// StepHead begins a step of a train.
type StepHead struct {
	Head  uint8 // bits 2-0: number of bytes, 3 to 6; bits 4-3: the Window; the rest is 0
	Times uint8 // how often it is sent where nothing has been acknowledged, 1 or more
	Least uint8 // how often at least once an acknowledgement has been seen
}

// Windows, in bits 4-3 of StepHead.Head.
const (
	WindowDeaf        uint8 = iota // what is heard is not the answer
	WindowAfterSecond              // rest is measured during the first packet; listened from the end bit of the second
	WindowListening                // listened all the time
	WindowAtRest                   // rest is measured all the time
)

// Flags of TrainAnswer.
const (
	FlagWhole uint8 = 1 << iota // all was played; else the track went off meanwhile, and State says why
	FlagAcknowledged
)

// TrainAnswer says what became of a train.
type TrainAnswer struct {
	Flags         uint8
	RestTenths    uint16 // the mean current at rest; 0 where nothing was measured
	HeightTenths  uint16 // of the acknowledgement above rest, at most
	AboveMicros   uint16 // how long the current stood above the threshold
	AirtimeMicros uint32 // from the first bit of the train to the end bit of its last packet
}

// GateEvent is an edge at a gate.
type GateEvent struct {
	Gate        uint8 // from 1
	Closed      uint8 // 1 where it closed: something stands in it
	ClockMicros uint32
}

// CutEvent says that the board has turned the track off by itself.
type CutEvent struct {
	Cause         uint8
	HighestTenths uint16
}

// StartedEvent says that the board's program has begun.
type StartedEvent struct {
	Watchdog uint8 // 1 where its watchdog has ended the program before
}

// Reasons of a refusal.
const (
	ReasonMalformed uint8 = iota + 1 // no such frame, or its payload is none
	ReasonNumber                     // not the next one
	ReasonTrackOff
	ReasonTrackOn // it is on already
	ReasonLimit   // beyond what is built in
)

// RefusedAnswer says what is refused, and why. Its number is that of the request.
type RefusedAnswer struct {
	Type   uint8
	Reason uint8
	Next   uint8 // as in HelloAnswer
}
