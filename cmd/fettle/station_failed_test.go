package main

import (
	"context"
	"errors"
	"strings"
	"syscall"
	"testing"

	"fettle/station/board/loader"
)

func TestALoadingThatFailsIsTheStationsFailure(t *testing.T) {
	refused := loader.Refused{Port: "/dev/ttyUSB0", Reason: "no loader answers", Output: "not in sync"}
	if err := loadFailed(t.Context(), refused); statusOf(err) != stationFailed || !strings.HasSuffix(err.Error(), "no loader answers\n\navrdude said\nnot in sync") {
		t.Error(err)
	}
	if err := loadFailed(t.Context(), loader.ErrNoProgram); statusOf(err) != stationFailed || !strings.Contains(err.Error(), "install") {
		t.Error(err)
	}
	ctx, stop := context.WithCancelCause(t.Context())
	stop(interrupted{syscall.SIGTERM})
	if err := loadFailed(ctx, errors.New("killed")); statusOf(err) != stopped || !strings.HasPrefix(err.Error(), "stopped with SIGTERM: the board may have no") {
		t.Error(err)
	}
}
