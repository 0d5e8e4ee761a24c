package main

import (
	"os"
	"strings"
	"testing"
)

func TestTheFirmwaresHeaderIsWhatTheFramesGive(t *testing.T) {
	source, err := os.ReadFile("../frames.go")
	if err != nil {
		t.Fatal(err)
	}
	want, err := translate("frames.go", source)
	if err != nil {
		t.Fatal(err)
	}
	got, err := os.ReadFile("../../firmware/portable/frames.h")
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != string(want) {
		t.Error("frames.h is not what frames.go gives: go generate ./station/board/link")
	}
}

func TestWhatCHasNoWordForIsRefused(t *testing.T) {
	for _, row := range []struct{ source, want string }{
		{"type Answer struct { Current float32 }", "float32"},
		{"type Answer struct { Bytes [4]uint8 }", "[4]uint8"},
		{"type Answer struct { Short uint8 }", "a word of C"},
		{"const Name = `x`", "untyped string"},
		{"const Most int32 = 4", "int32"},
		{"const Most uint8 = 256", "256"},
		{"type Answer struct {", "expected"},
	} {
		_, err := translate("frames.go", []byte("package link\n"+row.source))
		if err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%s: error %v, want one with %q", row.source, err, row.want)
		}
	}
}

func TestANameIsWrittenAsCHasIt(t *testing.T) {
	for name, want := range map[string]string{"Track": "track", "HelloAnswer": "hello_answer", "LimitMA": "limit_ma", "EnoughUS": "enough_us"} {
		if got := lower(name); got != want {
			t.Errorf("%s becomes %s, want %s", name, got, want)
		}
	}
}
