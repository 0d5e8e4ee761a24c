package main

import (
	"errors"
	"fmt"
	"strconv"

	"fettle/nmra/wave/conform"
)

// quantity is a flag's number of some unit: more than 0.
type quantity[T ~float64] struct {
	to   *T
	unit string
}

const mostQuantity = 1e6

func (q quantity[T]) Set(s string) error {
	x, err := strconv.ParseFloat(s, 64)
	if err != nil || !(x > 0 && x <= mostQuantity) {
		return fmt.Errorf("want a number of %s, more than 0", q.unit)
	}
	*q.to = T(x)
	return nil
}

func (q quantity[T]) String() string {
	if q.to == nil || *q.to == 0 {
		return ""
	}
	return strconv.FormatFloat(float64(*q.to), 'g', -1, 64)
}

func (quantity[T]) Type() string { return "number" }

// scaleFlag is the scale that the voltages of a signal are held against.
type scaleFlag struct{ to *conform.Scale }

func (s scaleFlag) Set(text string) error {
	scale, err := conform.ParseScale(text)
	if err != nil {
		return errors.New("want z, n, h0, s, 0 or large")
	}
	*s.to = scale
	return nil
}

func (s scaleFlag) String() string { return "" }

func (scaleFlag) Type() string { return "word" }
