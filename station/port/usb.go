//go:build !darwin || cgo

package port

import "go.bug.st/serial/enumerator"

// enumerate asks the library for what is known of each port.
func enumerate() ([]details, error) {
	ports, err := enumerator.GetDetailedPortsList()
	if err != nil {
		return nil, err
	}
	var all []details
	for _, p := range ports {
		all = append(all, details{name: p.Name, usb: p.IsUSB, vendor: p.VID, product: p.PID, text: p.Product, serial: p.SerialNumber})
	}
	return all, nil
}
