package serve

import (
	"fettle/trial"
)

// What goes between the page and the bench, as JSON, a message each, over one WebSocket (RFC 6455) at /live. The bench sends an [Event], the
// page an [Order]. An event is the whole of what is to be seen, so that a lost one is made good by the next.
//
// A window comes as /live?window=ID, 32 hexadecimal digits that it keeps while it is open, so that it is known again after its connection was
// lost. A connection in whose place another one with that ID has come is closed with status 4001.

// Order is what a window asks for. Every message of a window, whatever it asks, says that it is alive.
type Order struct {
	ID int    `json:"id"` // above 0, and higher with each: answered in an Event. An order that is sent again, with the same ID, is done once
	Do Action `json:"do"`

	Registers string  `json:"registers,omitempty"` // of ReadRegisters: "1 8 29 67-94"
	File      string  `json:"file,omitempty"`      // of PlanSet and OpenTrial: one of the names in State.Sets or State.Trials, never a path
	Text      string  `json:"text,omitempty"`      // of PlanSet, in place of File: the text of a register set
	Run       int     `json:"run,omitempty"`       // of what concerns a run: its number, so that an order that comes late does nothing to another
	Outcome   string  `json:"outcome,omitempty"`   // of SayOutcome: stopped, overran, slowed or ignored
	StopMM    float64 `json:"stop_mm,omitempty"`   // of NoteRun: past the trigger
	StopS     float64 `json:"stop_s,omitempty"`    // of NoteRun: from the trigger to standstill; 0 where it was not taken
	Note      string  `json:"note,omitempty"`      // of NoteRun
	Sure      bool    `json:"sure,omitempty"`      // of NoteRun: keep it although it is in doubt
}

// Action is what an order asks for.
type Action string

const (
	Beat        Action = "beat"        // nothing but to be heard; also from those who watch
	Stop        Action = "stop"        // emergency stop and track off, at once. Any window may
	TakeSeat    Action = "take_seat"   // to be the one who drives, where nobody does
	LeaveSeat   Action = "leave_seat"  //
	Identify    Action = "identify"    //
	ReadSome    Action = "read"        //
	PlanSet     Action = "plan"        // read what a set is about to change, and show what would be written
	ApplySet    Action = "apply"       // do the plan that is shown
	ResumeBatch Action = "resume"      // go on with the batch that was stopped
	UndoBatch   Action = "undo_batch"  // put back what it changed
	OpenTrial   Action = "open_trial"  // and go on with its runs, where there are some
	AgreeToMove Action = "agree"       // the vehicle may move: said after State.Trial.Moves was shown
	DriveRun    Action = "drive"       // hands are clear: the track goes on, and the vehicle moves
	SayOutcome  Action = "outcome"     // while it moves, or stands: the track goes off
	PassMark    Action = "pass_mark"   // a lap begins or ends
	NoteRun     Action = "note"        // where it stopped, and what else there is to say: the run is saved
	UndoRun     Action = "undo_run"    // the run before does not count, nor does one that waits for its note. Once all are made, Run is 0
	CloseTrial  Action = "close_trial" // leave the trial, with the track off; it can be opened again. A run that waits for its note does not count
)

// Event is what the bench says to a window.
type Event struct {
	Answer *Answer `json:"answer,omitempty"`
	State  *State  `json:"state,omitempty"`
}

// Answer says what became of an order.
type Answer struct {
	ID      int      `json:"id"`
	Refused string   `json:"refused,omitempty"` // why it was not done, and what to do; "" where it is done, or begun
	Doubts  []string `json:"doubts,omitempty"`  // of NoteRun: what is in doubt. Ask, and send the order again with Sure
}

// State is all that is to be seen.
type State struct {
	Version   string `json:"version"`
	Station   string `json:"station"`
	Simulated bool   `json:"simulated"`
	Seat      Seat   `json:"seat"`
	Watching  int    `json:"watching"`   // windows that are open, this one among them
	SilenceMS int    `json:"silence_ms"` // after so long without a word from who drives the track goes off. A window beats four times as often
	Track     Track  `json:"track"`
	Doing     string `json:"doing"` // the work at hand, in words; "" where there is none
	Done      int    `json:"done"`  // of the work at hand
	Of        int    `json:"of"`
	Trouble   string `json:"trouble"` // what went wrong last, and what to do; "" once something went well

	Identity []Fact    `json:"identity"` // of what is on the programming track; empty where nobody has asked
	Readings []Reading `json:"readings"` // the last ones read
	Sets     []string  `json:"sets"`     // files of the folder
	Trials   []string  `json:"trials"`
	Batch    *Batch    `json:"batch"`
	Trial    *Running  `json:"trial"`
}

// Seat says who drives.
type Seat string

const (
	Mine  Seat = "mine"  // this window
	Taken Seat = "taken" // another one
	Free  Seat = "free"
)

// Track says which track has power.
type Track string

const (
	Off         Track = "off"
	Programming Track = "programming"
	Main        Track = "main"
)

// Fact is a line of a table: "maker", "13".
type Fact struct {
	Label string `json:"label"`
	Words string `json:"words"`
}

// Reading is what a register was found to hold.
type Reading struct {
	Register string `json:"register"`
	State    string `json:"state"` // proven, absent or unsure
	Value    *uint8 `json:"value"` // null where it is not proven
	Words    string `json:"words"` // what that means
}

// Batch is a register set that is planned, being written, or done.
type Batch struct {
	Title   string `json:"title"`
	Phase   string `json:"phase"` // planned, writing, proven, not_proven or stopped
	Rows    []Row  `json:"rows"`
	Summary string `json:"summary"` // in a sentence
	Journal string `json:"journal"` // the name of its file; "" where nothing was written
}

// Row is one register of a batch.
type Row struct {
	Register string `json:"register"`
	Before   *uint8 `json:"before"` // null where it is not proven
	Wanted   uint8  `json:"wanted"`
	After    *uint8 `json:"after"`
	State    string `json:"state"` // to_write, unchanged, written, clamped, read_only, absent, refused, unsure
	Words    string `json:"words"` // State in words, and why
}

// Running is a trial that is open.
type Running struct {
	File    string   `json:"file"`
	Title   string   `json:"title"`
	Vehicle string   `json:"vehicle"`
	OfSpeed bool     `json:"of_speed"`
	Moves   string   `json:"moves"` // what is going to move, and where
	Phase   Phase    `json:"phase"`
	Run     *Run     `json:"run"` // the one at hand; null where all are made
	Made    int      `json:"made"`
	Of      int      `json:"of"`
	Runs    []Run    `json:"runs"` // those that are made, the last hundred of them
	Section Section  `json:"section"`
	View    *View    `json:"view"` // on the bench: where the vehicle is. A real one is seen beside the track
	Plot    string   `json:"plot"` // the address of the picture of the stops so far; another one after each run. "" before the first
	PlotAlt string   `json:"plot_alt"`
	Verdict *Verdict `json:"verdict"` // of the runs so far, of a trial of braking; null before the first
	Doubts  []string `json:"doubts"`
}

// Phase is how far the run at hand has come.
type Phase string

const (
	Agreeing Phase = "agree"  // nothing moves before AgreeToMove
	Placing  Phase = "place"  // the track is off: put the vehicle down, then DriveRun
	Moving   Phase = "moving" // SayOutcome once it is over, PassMark for laps; or Stop
	Noting   Phase = "note"   // the track is off: NoteRun
	Finished Phase = "done"   // all runs are made
	Alone    Phase = "alone"  // the bench makes the runs by itself: a trial of speed
)

// Run is a run of a trial.
type Run struct {
	Number   int     `json:"number"`
	Lead     string  `json:"lead"`
	Way      string  `json:"way"`
	Step     uint8   `json:"step"`
	SpeedMMS float64 `json:"speed_mm_s"`
	Words    string  `json:"words"` // all of it: "front leading, with the section, step 12, about 160 mm/s (50 km/h to scale)"
	Outcome  string  `json:"outcome,omitempty"`
	StopMM   float64 `json:"stop_mm,omitempty"`
	StopS    float64 `json:"stop_s,omitempty"`
	Note     string  `json:"note,omitempty"`
}

// Section is what the page draws, to be tapped on where the vehicle stopped.
type Section struct {
	LengthMM float64   `json:"length_mm"`
	RoomMM   float64   `json:"room_mm"`
	StopMM   float64   `json:"stop_mm"` // the target, and how far off it may be
	WithinMM float64   `json:"within_mm"`
	GatesMM  []float64 `json:"gates_mm"`
}

// View is where the leading end of the vehicle is: past where its run enters the section, negative before.
type View struct {
	PastMM   float64 `json:"past_mm"`
	SpeedMMS float64 `json:"speed_mm_s"`
	Lights   bool    `json:"lights"`
}

// Verdict is what the runs show so far.
type Verdict struct {
	Word     string   `json:"word"` // fit, unfit or more_runs
	Sentence string   `json:"sentence"`
	Reasons  []string `json:"reasons"`
	MoreRuns int      `json:"more_runs"`
}

func verdictOf(v trial.Verdict) *Verdict {
	return &Verdict{v.Fitness.String(), v.Sentence, v.Reasons, v.MoreRuns}
}
