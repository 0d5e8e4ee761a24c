package main

import (
	"io"
	"time"

	"github.com/schollz/progressbar/v3"
)

// progress shows on stderr, where that is a terminal, how much of a long work is done and how long the rest will take.
// The function that it gives is told how far each stage has come; a stage that is done leaves nothing on the screen, nor does one that
// failed, where it is told then of a stage of nothing.
func progress(stderr io.Writer) func(doing string, done, of int) {
	if !terminal(stderr) {
		return func(string, int, int) {}
	}
	return drawProgress(stderr)
}

func drawProgress(w io.Writer) func(doing string, done, of int) {
	var bar *progressbar.ProgressBar
	stage, total := "", 0
	return func(doing string, done, of int) {
		if of == 0 {
			if bar != nil {
				_ = bar.Clear()
				bar = nil
			}
			return
		}
		if bar == nil || stage != doing || total != of {
			stage, total = doing, of
			bar = progressbar.NewOptions(of,
				progressbar.OptionSetWriter(w),
				progressbar.OptionSetDescription(doing),
				progressbar.OptionSetWidth(24),
				progressbar.OptionShowCount(),
				progressbar.OptionSetPredictTime(true),
				progressbar.OptionThrottle(100*time.Millisecond),
				progressbar.OptionClearOnFinish(),
			)
		}
		_ = bar.Set(done) // only the terminal could fail; the work goes on
		if done >= of {
			_ = bar.Finish()
			bar = nil
		}
	}
}
