package serve

import (
	"context"

	"fettle/nmra"
	"fettle/station"
)

// cutOff is a programming track that says when so many writes have been begun, and then does nothing until its context ends.
type cutOff struct {
	station.ProgrammingTrack
	after int // writes that are left
	then  func()
}

func (c *cutOff) Service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	if a.Writes() {
		if c.after--; c.after == 0 {
			c.then()
		}
	}
	if c.after <= 0 {
		<-ctx.Done()
		return station.Answer{}, ctx.Err()
	}
	return c.ProgrammingTrack.Service(ctx, a)
}
