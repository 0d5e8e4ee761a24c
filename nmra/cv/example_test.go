package cv_test

import (
	"fmt"

	"fettle/nmra/cv"
)

// What a value of a register means, in words.
func ExampleExplainValue() {
	// NMRA S-9.2.2 (July 2012), CV 3: a value of 2 at 28 steps is 0.064 s a step.
	three := cv.Register{CV: 3}
	for _, line := range cv.ExplainValue(three, 2, cv.Values{{CV: 29}: 2}).Lines() {
		fmt.Println(line)
	}
	fmt.Println(cv.ParseRange("257-259@16.0"))
	// Output:
	// register 3 = 2: acceleration, recommended
	// Seconds for each step faster: value x 0.896 / steps in use.
	// 0.064 s a step at 28 steps.
	// 0.014 s a step at 128 steps.
	// About 1.8 s between standstill and full speed.
	// [257@16.0 258@16.0 259@16.0] <nil>
}
