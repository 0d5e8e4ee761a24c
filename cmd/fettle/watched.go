package main

import (
	"context"
	"errors"

	"github.com/sirupsen/logrus"

	"fettle/nmra"
	"fettle/station"
)

// watched is a programming track whose accesses are written to the log, at level debug, and whose errors know what was asked.
type watched struct{ station.ProgrammingTrack }

// watch watches a track, with the ability to read that it may have.
func watch(track station.ProgrammingTrack) station.ProgrammingTrack {
	if reader, ok := track.(station.Reader); ok {
		return watchedReader{watched{track}, reader}
	}
	return watched{track}
}

// watchedReader is watched for a station that reads whole registers by itself.
type watchedReader struct {
	watched
	reader station.Reader
}

func (w watchedReader) Read(ctx context.Context, mode nmra.Mode, cv nmra.CV) (uint8, station.Answer, error) {
	value, answer, err := w.reader.Read(ctx, mode, cv)
	log("read", err, logrus.Fields{"mode": mode.String(), "cv": cv, "value": value, "acknowledged": answer.Acknowledged})
	return value, answer, err
}

func (w watched) PowerOn(ctx context.Context) (station.Draw, error) {
	draw, err := w.ProgrammingTrack.PowerOn(ctx)
	log("programming track on", err, logrus.Fields{"rest_ma": float64(draw.Rest), "airtime": draw.Airtime})
	return draw, err
}

func (w watched) PowerOff(ctx context.Context) error {
	err := w.ProgrammingTrack.PowerOff(ctx)
	log("programming track off", err, logrus.Fields{})
	return err
}

func (w watched) Service(ctx context.Context, a nmra.Access) (station.Answer, error) {
	answer, err := w.ProgrammingTrack.Service(ctx, a)
	if logrus.IsLevelEnabled(logrus.DebugLevel) { // there are thousands of them
		log("access", err, logrus.Fields{
			"asked": a.String(), "acknowledged": answer.Acknowledged, "pulse": answer.Pulse,
			"height_ma": float64(answer.Height), "rest_ma": float64(answer.Rest), "airtime": answer.Airtime,
		})
	}
	if err != nil && !errors.Is(err, ctx.Err()) {
		err = accessFailed{a, err}
	}
	return answer, err
}

func log(what string, err error, fields logrus.Fields) {
	if err != nil {
		fields["error"] = err
	}
	logrus.WithFields(fields).Debug(what)
}

// accessFailed is the error of an access that the station did not do.
type accessFailed struct {
	asked nmra.Access
	err   error
}

func (e accessFailed) Error() string { return e.err.Error() }
func (e accessFailed) Unwrap() error { return e.err }
