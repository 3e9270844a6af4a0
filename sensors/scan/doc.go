// Package scan finds out which probes are connected: on the I²C buses and behind their
// multiplexers, on 1-Wire and in the kernel's IIO and hwmon directories.
//
// It is careful: port expanders that may drive relays live at addresses of light and
// humidity probes and take any byte as an order, so there it only reads until the answer
// cannot be an expander's. Addresses that a kernel driver holds are left alone. Nothing
// else may use the buses during a scan.
package scan
