package main

import (
	"bytes"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

func TestProgressIsSilentWhereThereIsNoTerminal(t *testing.T) {
	var screen bytes.Buffer
	show := progress(&screen)
	show("reading", 3, 9)
	show("reading", 9, 9)
	if screen.Len() > 0 {
		t.Errorf("drawn: %q", screen.String())
	}
}

func TestProgressSaysWhatIsDoneAndHowLongTheRestWillTake(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var screen bytes.Buffer
		show := drawProgress(&screen)
		show("reading", 0, 9)
		time.Sleep(time.Second)
		show("reading", 9, 9)
		show("writing", 0, 4)
		time.Sleep(2 * time.Second)
		show("writing", 2, 4)
		for _, want := range []string{"reading", "writing", "50%", "(2/4)", "[2s:2s]"} {
			if !strings.Contains(screen.String(), want) {
				t.Errorf("%q is not on the screen: %q", want, screen.String())
			}
		}
	})
}

func TestProgressOfWorkThatFailedIsTakenOffTheScreen(t *testing.T) {
	var screen bytes.Buffer
	show := drawProgress(&screen)
	show("", 0, 0)
	if screen.Len() > 0 {
		t.Errorf("drawn before there was anything: %q", screen.String())
	}
	show("reading", 0, 9)
	show("", 0, 0)
	if last := screen.String()[strings.LastIndexByte(screen.String()[:screen.Len()-1], '\r')+1:]; strings.TrimSpace(last) != "" {
		t.Errorf("%q is left on the screen: %q", last, screen.String())
	}
}
