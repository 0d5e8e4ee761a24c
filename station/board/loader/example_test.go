package loader_test

import (
	"context"
	"errors"
	"fmt"

	"fettle/station/board/loader"
)

func ExampleLoad() {
	loaded, err := loader.Load(context.Background(), "/dev/no-such-port", func(doing string) { fmt.Println(doing) })
	var refused loader.Refused
	if errors.As(err, &refused) {
		fmt.Println(refused.Output) // what avrdude said
	}
	if err == nil {
		fmt.Println("firmware", loaded.Firmware)
	}
	// Output:
}
