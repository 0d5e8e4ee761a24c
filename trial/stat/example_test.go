package stat_test

import (
	"fmt"
	"math"

	"fettle/trial/stat"
)

// Six stops at three speeds, and two runs at the highest that passed a room of 1800 mm: how does the distance depend on the speed?
func Example() {
	speed := []float64{80, 80, 160, 160, 240, 240, 320, 320}
	stop := []float64{205, 198, 590, 611, 1100, 1075, 1800, 1800}
	overran := []bool{6: true, 7: true}
	var x, y []float64
	for i := range speed {
		x, y = append(x, math.Log(speed[i])), append(y, math.Log(stop[i]))
	}
	line, err := stat.CensoredLine(x, y, overran, 0.95)
	if err != nil {
		fmt.Println(err)
		return
	}
	mean, low, high := line.Predict(math.Log(320), 0.95)
	fmt.Printf("exponent %.2f, %.2f to %.2f\n", line.Slope, line.SlopeLow, line.SlopeHigh)
	fmt.Printf("at 320 mm/s %.0f mm, %.0f to %.0f\n", math.Exp(mean), math.Exp(low), math.Exp(high))
	// Output:
	// exponent 1.58, 1.51 to 1.67
	// at 320 mm/s 1784 mm, 1675 to 1900
}
