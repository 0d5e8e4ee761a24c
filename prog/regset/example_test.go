package regset_test

import (
	"fmt"

	"fettle/nmra/cv"
	"fettle/prog/regset"
)

// A set wants one register and one bit of another, whose other bits stay as they are.
func Example() {
	set, err := regset.Parse("tram-3.toml", []byte(`
title = "Harbour tram 3, street running"
[registers]
3 = 12
[bits]
29.3 = true
`))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(set.Needs())
	fmt.Println(set.Wanted(cv.Values{{CV: 3}: 6, {CV: 29}: 6}))
	// Output:
	// [3 29]
	// map[3:12 29:14] <nil>
}
