package tryout

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fettle/nmra"
	"fettle/station"
)

// mostEmpty is the current up to which nothing is taken to stand on the track. Our own choice.
const mostEmpty = station.Milliamps(5)

// emptyTrack turns a track on that nothing is to stand on.
func (t *tryout) emptyTrack(ctx context.Context) (string, error) {
	draw, err := t.power.PowerOn(ctx)
	var overload station.Overload
	switch {
	case errors.As(err, &overload):
		return fmt.Sprintf("%.0f mA with nothing on the track", overload.Current),
			fmt.Errorf("%w: with nothing on the track that is a short in the wiring, or a current sense that is wired backwards", err)
	case err != nil:
		return "", err
	case draw.Unmeasured:
		return unmeasured, nil
	}
	saw := fmt.Sprintf("%.0f mA", draw.Rest)
	if draw.Rest > mostEmpty {
		return saw, fmt.Errorf("with nothing on the track it is at most %.0f mA: take off what stands on it, lamps and bus bars included; if nothing "+
			"does, the current sense is not set to 0, or wired backwards", mostEmpty)
	}
	return saw, nil
}

// questions is how often a thing is asked to see whether it is answered alike each time. Our own choice.
const questions = 10

// nobody asks where there is nobody to say yes: for bit 7 of CV 8, which is a 0 or a 1; where the station has no direct mode, for a whole
// register in another one.
func (d *decoder) nobody(ctx context.Context) (string, error) {
	yes, asked := 0, 0
	ask := func(a nmra.Access) error {
		heard, err := d.ask(ctx, a, questions)
		if err == nil {
			yes, asked = yes+len(heard), asked+questions
		}
		if errors.Is(err, nmra.ErrNotInMode) {
			err = nil
		}
		return err
	}
	if err := errors.Join(ask(bit7(false)), ask(bit7(true))); err != nil {
		return "", err
	}
	for _, mode := range nmra.Modes {
		if asked == 0 {
			if err := ask(nmra.Access{Mode: mode, CV: 1, Value: 3}); err != nil {
				return "", err
			}
		}
	}
	saw := "acknowledged " + count(yes, asked)
	if yes > 0 {
		return saw, errors.New("something is heard with nothing on the track: see that nothing stands on it. Then the station's threshold " +
			"is too low for the noise on its current sense: keep its wires short and away from those of the track")
	}
	return saw, nil
}

// send sends what no vehicle has to heed.
func send(ctx context.Context, main station.Main) (string, error) {
	idle, err := nmra.Instruction{Kind: nmra.Idle}.Encode()
	if err != nil {
		return "", err
	}
	if err := main.Send(ctx, idle, questions); err != nil {
		if errors.Is(err, nmra.ErrNotInMode) {
			return "", notTried("the station sends no packet that moves nothing")
		}
		return "", err
	}
	return fmt.Sprintf("%d idle packets sent", questions), nil
}

// gatePatience is how long a person has to close a gate. Our own choice.
const gatePatience = 30 * time.Second

// waitAt waits for any gate to close and to open again.
func waitAt(ctx context.Context, gates station.Gates) (string, error) {
	waiting, stop := context.WithTimeout(ctx, gatePatience)
	defer stop()
	closed := map[int]time.Duration{}
	for {
		edge, err := gates.Gate(waiting)
		switch at, is := closed[edge.Gate]; {
		case err != nil && ctx.Err() == nil && waiting.Err() != nil && len(closed) == 0:
			return "", fmt.Errorf("no gate was seen to close within %v: hold something in one, and see that it is wired to the station", gatePatience)
		case err != nil && ctx.Err() == nil && waiting.Err() != nil:
			return "", fmt.Errorf("a gate closed, and none was seen to open within %v: take out what is in it", gatePatience)
		case err != nil:
			return "", err
		case edge.Closed:
			closed[edge.Gate] = edge.At
		case is:
			return fmt.Sprintf("gate %d closed, and opened %.2f s later", edge.Gate, (edge.At - at).Seconds()), nil
		}
	}
}
