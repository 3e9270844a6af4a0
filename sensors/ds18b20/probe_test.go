package ds18b20

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/onewire"

	"dewline/configs"
	"dewline/sensors"
)

// TestCRCVectors: ROM code of Maxim application note 27 (02 1C B8 01 00 00 00
// gives A2) and the DS18B20's power-on scratchpad (from memory of a real one).
func TestCRCVectors(t *testing.T) {
	for _, c := range []struct {
		data []byte
		want byte
	}{
		{[]byte{0x02, 0x1C, 0xB8, 0x01, 0, 0, 0}, 0xA2},
		{[]byte{0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10}, 0x1C},
	} {
		if got := onewire.CalcCRC(c.data); got != c.want {
			t.Errorf("% x: %#02x, want %#02x", c.data, got, c.want)
		}
	}
}

// slave returns the text of a w1_slave file as the kernel prints it.
func slave(register uint16, reserved byte, milli int) string {
	pad := []byte{byte(register), byte(register >> 8), 0x4B, 0x46, 0x7F, 0xFF, reserved, 0x10}
	pad = append(pad, onewire.CalcCRC(pad))
	hex := fmt.Sprintf("% x", pad)
	return fmt.Sprintf("%s : crc=%02x YES\n%s t=%d\n", hex, pad[8], hex, milli)
}

// TestCodeTable is the temperature table of the DS18B20 data sheet (Maxim
// 19-7487, table 1).
func TestCodeTable(t *testing.T) {
	for _, c := range []struct {
		register uint16
		celsius  float64
	}{
		{0x07D0, 125}, {0x0191, 25.0625}, {0x00A2, 10.125}, {0x0008, 0.5}, {0x0000, 0},
		{0xFFF8, -0.5}, {0xFF5E, -10.125}, {0xFE6F, -25.0625}, {0xFC90, -55},
	} {
		got, err := DecodeSlave(slave(c.register, 0x10, int(c.celsius*1000)))
		if err != nil || got != sensors.CelsiusOf(float64(int(c.celsius*1000))/1000) {
			t.Errorf("%#04x: %v, %v; want %g", c.register, got, err, c.celsius)
		}
	}
}

func TestDecodeSlaveFaults(t *testing.T) {
	good := slave(0x0191, 0x0F, 25062)
	for _, c := range []struct {
		name, text string
		reason     sensors.Reason
	}{
		{"right", good, sensors.NoReason},
		{"power-on value", slave(0x0550, 0x0C, 85000), sensors.PowerOnValue},
		{"a true 85 °C", slave(0x0550, 0x10, 85000), sensors.NoReason},
		{"all zeros pass their checksum", "00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n", sensors.AllZero},
		{"kernel says no", strings.Replace(good, "YES", "NO", 1), sensors.BadCRC},
		{"checksum wrong though the kernel says yes", strings.Replace(good, "91 01", "92 01", 1), sensors.BadCRC},
		{"register and value differ", slave(0x0191, 0x0F, 26062), sensors.Malformed},
		{"out of range", slave(0x0A00, 0x10, 160000), sensors.OutOfRange},
		{"empty", "", sensors.Malformed},
		{"one line", "91 01 4b 46 7f ff 0c 10 25 : crc=25 YES", sensors.Malformed},
		{"short scratchpad", "91 01 : crc=25 YES\n91 01 t=25062", sensors.Malformed},
		{"no value", strings.Replace(good, "t=", "u=", 1), sensors.Malformed},
		{"value that is no number", strings.Replace(good, "t=25062", "t=warm", 1), sensors.Malformed},
	} {
		if got, err := DecodeSlave(c.text); sensors.ReasonOf(err) != c.reason {
			t.Errorf("%s: %v, %v; want %q", c.name, got, err, c.reason)
		}
	}
}

func TestDecodeTemperature(t *testing.T) {
	for _, c := range []struct {
		text   string
		want   sensors.CentiCelsius
		reason sensors.Reason
	}{
		{"23125", 23_13, sensors.NoReason}, {"-62\n", -6, sensors.NoReason}, {"85000", 0, sensors.PowerOnValue},
		{"125001", 0, sensors.OutOfRange}, {"", 0, sensors.Malformed}, {"23.1", 0, sensors.Malformed},
	} {
		got, err := DecodeTemperature(c.text)
		if got != c.want || sensors.ReasonOf(err) != c.reason {
			t.Errorf("%q: %v, %v", c.text, got, err)
		}
	}
}

// FuzzDecodeSlave: no text panics, and a value that is accepted is in range and
// follows from the text.
func FuzzDecodeSlave(f *testing.F) {
	f.Add(slave(0x0191, 0x0F, 25062))
	f.Add(slave(0x0550, 0x0C, 85000))
	f.Add("00 00 00 00 00 00 00 00 00 : crc=00 YES\n t=0")
	f.Add("\n\n:::t=t=t=")
	f.Fuzz(func(t *testing.T, text string) {
		got, err := DecodeSlave(text)
		if err == nil {
			if got < -55_00 || got > 125_00 {
				t.Errorf("%q gave %v", text, got)
			}
			if !strings.Contains(text, "YES") || !strings.Contains(text, "t=") {
				t.Errorf("%q was accepted", text)
			}
		}
		_, _ = DecodeTemperature(text)
	})
}

func put(t *testing.T, dir, name, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

func TestSampleFromFolder(t *testing.T) {
	dir := t.TempDir()
	p, err := Family().Open(configs.Probe{ID: "water-1", Path: dir}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := p.Sample(t.Context()); sensors.ReasonOf(err) != sensors.BusError || !strings.Contains(err.Error(), "probe water-1") {
		t.Errorf("unplugged: %v", err)
	}
	put(t, dir, "temperature", "21500\n")
	if s, err := p.Sample(t.Context()); err != nil || s.Temperature != 21_50 || s.Has != sensors.HasTemperature {
		t.Errorf("temperature file: %+v, %v", s, err)
	}
	put(t, dir, "w1_slave", slave(0x0191, 0x0F, 25062))
	if s, err := p.Sample(t.Context()); err != nil || s.Temperature != 25_06 {
		t.Errorf("w1_slave file: %+v, %v", s, err)
	}
	put(t, dir, "w1_slave", slave(0x0550, 0x0C, 85000))
	if s, err := p.Sample(t.Context()); sensors.ReasonOf(err) != sensors.PowerOnValue || s.Has != 0 {
		t.Errorf("power-on value: %+v, %v; the other file must not be asked instead", s, err)
	}
}

func TestAHangingKernelEndsWithTheBudget(t *testing.T) {
	dir := t.TempDir()
	if err := syscall.Mkfifo(filepath.Join(dir, "w1_slave"), 0o600); err != nil {
		t.Skipf("no named pipes here: %v", err)
	}
	p, err := Family().Open(configs.Probe{ID: "water-1", Path: dir}, nil)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if _, err := p.Sample(ctx); sensors.ReasonOf(err) != sensors.TimedOut {
		t.Errorf("err = %v", err)
	}
	w, err := os.OpenFile(filepath.Join(dir, "w1_slave"), os.O_WRONLY, 0) // lets the reader go
	if err != nil {
		t.Fatal(err)
	}
	w.Close()
}
