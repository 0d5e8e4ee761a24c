package trial

import (
	"context"
	"errors"
	"time"
)

// Witness is a person beside the track. On a station.Layout, which sees for itself, only Agree and Made are called. Every other method
// returns early with [ErrUndo], [ErrLeave] or the context's error.
type Witness interface {
	// Agree hears what is going to move and where, before anything does. With an error nothing moves.
	Agree(ctx context.Context, what string) error
	// Place puts the vehicle down for a run, and says that it may move. The track is off.
	Place(ctx context.Context, r Run) error
	// Watch looks on while the vehicle moves, and says what became of it once the run is over. With [ErrHalt] it is stopped at once.
	Watch(ctx context.Context, r Run) (Outcome, error)
	// Note adds what was seen to a run that is over: where it stopped and, where they are known, how long it took, its speed, and what else
	// there is to say. The track is off.
	Note(ctx context.Context, r Run) (Run, error)
	// Lap waits until the vehicle passes its mark, and says when, on a clock of its own. With [ErrHalt] it is stopped at once.
	Lap(ctx context.Context) (time.Duration, error)
	// Made hears of a run that was made and saved, and how many are still to be made.
	Made(r Run, left int)
}

// What a [Witness] answers instead.
var (
	ErrHalt  = errors.New("stopped in an emergency: the run does not count")
	ErrUndo  = errors.New("the run before does not count")
	ErrLeave = errors.New("left before all runs were made")
)
