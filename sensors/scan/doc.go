// Package scan finds out which probes are connected: it walks the I²C buses and
// the multiplexers on them, the 1-Wire bus and the kernel's IIO and hwmon
// directories, and names the family where the chip lets itself be identified.
//
// It is careful with what it does not know. Port expanders that may drive
// relays live at addresses that light and humidity probes use, and take any
// byte as an order, so at those addresses it only reads until the answer can
// no longer be an expander's. Addresses that a kernel driver holds are left
// alone. Nothing else may use the buses during a scan.
//
// Reading values from configured probes is not done here.
package scan
