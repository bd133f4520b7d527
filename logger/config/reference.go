package config

import "strings"

// entry describes one key of bench.toml.
type entry struct {
	table, key string
	value      string // what may stand there
	missing    string // "required", or what holds if the key is missing
	meaning    string
}

const (
	inBench       = "bench"
	inStore       = "store"
	inPage        = "page"
	inForward     = "forward"
	inChannel     = "channel"
	inSounder     = "sounder"
	inCalibration = "channel.calibration"
	inTables      = "tables.NAME"
	gauges        = "all kinds of gauge"
	required      = "required"
)

// entries lists all keys in the order of the reference.
var entries = []entry{
	{inBench, "name", "1 to 40 of a–z, A–Z, 0–9, - and _", required, "what runs, labels and addresses call the bench"},
	{inBench, "mains", `"50 Hz" or "60 Hz"`, required, "mains frequency; filters and the current's RMS go by it"},
	{inBench, "manifold_volume", `"10 mL" to "20 L"`, required, "gas volume from main stopcock to tubulation, without the tube"},
	{inBench, "pump_speed", `"0.01 L/s" to "50 L/s"`, "not known", "pump's speed at the manifold, at high pressure"},
	{inBench, "open_circuit", `"1 kV" to "30 kV"`, "not known", "bombarder's secondary voltage without load, RMS"},
	{inBench, "max_current", `"50 mA" to "5 A"`, "not known", "most that the bombarder gives, RMS"},
	{inBench, "altitude", `"-400 m" to "5500 m"`, "not known", "of the bench above the sea; by it gauges are checked for drift at the atmosphere (ISO 2533, ± 30 hPa for the weather)"},

	{inStore, "directory", "a path", required, "where runs are kept; it is made if it is not there"},

	{inPage, "listen", `"127.0.0.1:8077"`, `"127.0.0.1:8077"`, `where the bench page is served; ":8077" lets others in the shop see it`},

	{inForward, "url", "an http or https address", required, "store that takes line protocol"},
	{inForward, "token_file", "a path", "no token", "file that holds the store's token"},

	{inChannel, "name", "1 to 40 of a–z, A–Z, 0–9, - and _", required, "what records and the page call the channel; each its own"},
	{inChannel, "role", `"pressure", "glass", "current", "shell", "ambient", "light" or "contact"`, required, "what is measured; of several with one role the first is the one that phases and limits go by"},
	{inChannel, "required", "true or false", "true for pressure, glass and current", "whether the bench counts as impaired without the channel"},
	{inChannel, "purpose", `"contactor", "stopcock", "torch" or "acknowledge"`, "none", "of a contact: contactor, stopcock and torch are noted in the run; contactor also tells when the arc burns where the current does not, and is held against the current; stopcock, closed while the main stopcock to the pump is shut, tells when a leak test, a pump-out and a fill begin; torch, closed while the torch is in use, tells when tip-off begins, which on many benches nothing else shows; acknowledge is a button that acknowledges all alarms"},
	{inChannel, "driver", "a driver's name", required, "which device: one of the [drivers](#drivers) below"},
	{inChannel, "bus", `"/dev/i2c-1", "/dev/spidev0.0", …`, required + " where the driver sits on a bus", "where the device is"},
	{inChannel, "address", `"0x48"`, "the driver's default", "which device of the bus"},
	{inChannel, "input", `"ain0", "ch0", …`, required + " where the device has several", "which input of the device"},
	{inChannel, "calibration", "a table", required + " but for light and contact", "how the device's number becomes a value, see below"},

	{inCalibration, "kind", `pressure: "log-linear", "linear", "4-20 mA", "ratiometric", "mantissa-exponent", "table" or "none"; glass, shell, ambient: "thermocouple" or "none"; current: "current" or "none"; light, contact: "none"`, required, "which of the following sets of keys holds"},

	{"log-linear, mantissa-exponent", "volts_at", `"-50 V" to "50 V"`, required, "gauge output at pressure_at; of mantissa-exponent where a decade begins"},
	{"log-linear, mantissa-exponent", "pressure_at", `"1e-6 Pa" to "1500 Torr"`, required, "a pressure of the characteristic"},
	{"log-linear, mantissa-exponent", "slope", `"0.01 V/decade" to "10 V/decade", or negative`, required, "gauge volts for each factor ten"},

	{"linear", "volts_1", `"-50 V" to "50 V"`, required, "gauge output at pressure_1"},
	{"linear", "pressure_1", `"0 Torr" to "1500 Torr"`, required, "first point"},
	{"linear", "volts_2", `"-50 V" to "50 V"`, required, "gauge output at pressure_2"},
	{"linear", "pressure_2", `"0 Torr" to "1500 Torr"`, required, "second point"},

	{"4-20 mA", "shunt", `"1 ohm" to "10 kohm"`, required, "resistor that the loop's current goes through"},
	{"4-20 mA", "pressure_4ma", `"0 Torr" to "1500 Torr"`, required, "pressure at 4 mA"},
	{"4-20 mA", "pressure_20ma", `"0 Torr" to "1500 Torr"`, required, "pressure at 20 mA"},
	{"4-20 mA", "shunt_accuracy", `"0 %" to "50 %"`, "not counted", "± tolerance of the shunt"},
	{"4-20 mA", "reference", `"0.1 V" to "50 V"`, "not used", "reference of a converter that sends ratios"},
	{"4-20 mA", "under_range", `"0 mA" to "25 mA"`, `"3.6 mA"`, "loop current below which there is no reading: broken wire, failed transmitter"},
	{"4-20 mA", "over_range", `"0 mA" to "25 mA"`, `"21 mA"`, "loop current above which there is no reading"},

	{"ratiometric", "supply", `"0.5 V" to "50 V"`, required, "the gauge's supply, of which its output is a share; it drops out with a converter that sends ratios of the same supply"},
	{"ratiometric", "ratio_1", `"0 %" to "100 %"`, required, "gauge output at pressure_1, a share of the supply"},
	{"ratiometric", "pressure_1", `"0 Torr" to "1500 Torr"`, required, "first point"},
	{"ratiometric", "ratio_2", `"0 %" to "100 %"`, required, "gauge output at pressure_2, a share of the supply"},
	{"ratiometric", "pressure_2", `"0 Torr" to "1500 Torr"`, required, "second point"},
	{"ratiometric", "supply_accuracy", `"0 %" to "50 %"`, "not counted", "± tolerance of the supply, where the converter measures volts"},
	{"ratiometric", "under_range", `"0 %" to "100 %"`, "no bound", "share of the supply below which there is no reading; together with over_range"},
	{"ratiometric", "over_range", `"0 %" to "100 %"`, "no bound", "share of the supply above which there is no reading"},

	{"table", "volts", `["0.5 V", …], rising, 2 to 256`, required, "gauge outputs"},
	{"table", "pressure", `["1 micron", …], as many`, required, "pressure at each; above 0, only rising or only falling"},

	{"log-linear, linear, mantissa-exponent, table", "divider_accuracy", `"0 %" to "50 %"`, "not counted", "± tolerance of the divider"},
	{"log-linear, linear, mantissa-exponent, table", "reference", `"0.1 V" to "50 V"`, "not used", "reference of a converter that sends ratios"},
	{"log-linear, linear, mantissa-exponent, table", "under_range", `"-50 V" to "50 V"`, "no bound", "gauge volts below which there is no reading; together with over_range"},
	{"log-linear, linear, mantissa-exponent, table", "over_range", `"-50 V" to "50 V"`, "no bound", "gauge volts above which there is no reading"},

	{gauges, "divider", `"0.01" to "1000:1"`, `"1:1"`, "gauge volts for each volt at the converter"},
	{gauges, "zero", `"-7.5 Torr" to "7.5 Torr"`, `"0 Torr"`, "what the gauge shows at no pressure; it is taken off"},
	{gauges, "span", `"0.5" to "2"`, `"1"`, "factor on the pressure after zero is taken off"},
	{gauges, "gas_dependent", "true or false", "false", "true for gauges that work by heat conduction"},
	{gauges, "accuracy", `"0 %" to "50 %"`, "not counted", "± share of the reading"},
	{gauges, "accuracy_abs", "a pressure", "not counted", "± on top of it"},
	{gauges, "frozen_after", `"0 s" to "1 h"`, "found by itself", "how long the same code is still believed; on top of what is found by the channel's noise and by other channels"},

	{"thermocouple", "type", `"B", "E", "J", "K", "N", "R", "S" or "T"`, "as the driver says", "thermocouple type"},
	{"thermocouple", "class", `"IEC 1", "IEC 2", "IEC 3", "ASTM standard" or "ASTM special"`, "not counted", "tolerance class of the wire"},
	{"thermocouple", "mounting", `"0 K" to "100 K"`, "not counted", "± between glass and junction"},
	{"thermocouple", "accuracy_abs", `"0 K" to "50 K"`, "not counted", "± on top of the wire's and the chip's"},
	{"thermocouple", "lag", `"0.2 s" to "30 s"`, "not corrected", "time constant with which the junction follows the glass; the value is then the glass, the indicated value the junction"},
	{"thermocouple", "lag_accuracy", `"0.1 %" to "50 %"`, `"10 %"`, "standard uncertainty of lag, a share of it"},
	{"thermocouple", "seating", `"50 %" to "100 %"`, "not corrected; count it in mounting", "share of the glass's rise above the room that the junction sees at rest"},
	{"thermocouple", "max_rate", `"0 °C/s" to "100 °C/s"`, `"25 °C/s" for glass, else off`, "faster than which the glass cannot change; a faster leap needs two samples behind it and is marked; 0 switches it off"},
	{"thermocouple", "frozen_after", `"0 s" to "1 h"`, "found by itself", "how long the same code is still believed; on top of what is found by the channel's noise and by other channels"},

	{"current", "ratio", `"1:1" to "100000:1"`, `"1:1"`, "primary to secondary current of the transformer"},
	{"current", "burden", `"1 mohm" to "10 kohm"`, "the device sends amperes", "resistor across the transformer"},
	{"current", "bias", `"0 V" to "50 V"`, "not checked", "voltage at the converter without current"},
	{"current", "reference", `"0.1 V" to "50 V"`, "not used", "reference of a converter that sends ratios"},
	{"current", "accuracy", `"0 %" to "50 %"`, "not counted", "± share of the reading, transformer and burden together"},
	{"current", "floor", `"0 mA" to "100 mA"; "10 A" on the primary side`, "none", "below this the current counts as off"},
	{"current", "side", `"secondary" or "primary"`, `"secondary"`, "side of the high-voltage transformer that is measured; from the primary side the secondary current is computed"},
	{"current", "turns_ratio", `"1:1" to "1000:1"`, "needed on the primary side", "secondary to primary turns of the high-voltage transformer"},
	{"current", "magnetising", `"0 A" to "50 A"`, `"0 A"`, "primary current with the secondary open, at working voltage; taken off"},
	{"current", "magnetising_angle", "1 to 180, in degrees", "90", "from the load's share of the primary current to the magnetising current"},

	{"none", "accuracy", `"0 %" to "50 %"`, "not counted", "± share of the reading"},
	{"none", "accuracy_abs", "in the channel's unit", "not counted", "± on top of it"},
	{"none", "full_scale", `"0.01 V" to "50 V"`, "the number is taken as it is", "light: volts that count as full light, 100 %"},
	{"none", "reference", `"0.1 V" to "50 V"`, "not used", "light: reference of a converter that sends ratios"},

	{inSounder, "driver", `"buzzer", "speaker" or "lamp"`, required, "kind of output"},
	{inSounder, "line", `"GPIO18"; with tone "pwmchip0/pwm0"`, "required for buzzer and lamp", "line that the output is on"},
	{inSounder, "active_low", "true or false", "false", "buzzer, lamp: true if it is on when the line is low"},
	{inSounder, "steady", "true or false", "false", "buzzer: sound without pulses, for a siren that has its own"},
	{inSounder, "tone", `"100 Hz" to "20000 Hz"`, "none", "buzzer: square wave for a bare piezo on a PWM output; not given: the buzzer has its own tone"},
	{inSounder, "flash", "true or false", "false", "lamp: flash at 2 Hz"},
	{inSounder, "device", `"/dev/snd/pcmC1D0p"`, `"auto"`, "speaker: sound device"},
	{inSounder, "level", `"1 %" to "100 %"`, `"80 %"`, "speaker: peak of full scale"},

	{inTables, "the columns that name the row", `glass, coating, gas and outside, running, or key`, required, "which row of a table that limits rest on is replaced or added; [the guide](limits.md#your-own-tables) lists tables and columns"},
	{inTables, "other columns", "with their unit", "as in the program's row", "what the row says; all are required in a row that the program does not have"},
	{inTables, "source", "a text", required, "where the row is from; limits that rest on it say so"},
}

// heading is what stands above the keys of a table.
func heading(table string) string {
	switch table {
	case inBench, inStore:
		return "`[" + table + "]`"
	case inPage, inForward:
		return "`[" + table + "]`, may be left out"
	case inSounder:
		return "`[[sounder]]`, 0 to 8 times; a single one may be `[sounder]`"
	case inChannel:
		return "`[[channel]]`, 1 to 12 times"
	case inCalibration:
		return "`[channel.calibration]`"
	case inTables:
		return "`[[tables.glass]]`, `coating`, `binder`, `fill`, `electrode`, `paschen`, `practice`, `constant`: your own rows, may be left out"
	}
	if table == gauges {
		return "Calibration of " + table
	}
	return "Calibration of kind " + table
}

// Reference is the table of all keys of bench.toml in Markdown, for the
// documentation. The keys that a driver adds to its channels are listed with
// the drivers.
func Reference() string {
	var b strings.Builder
	last := ""
	cell := strings.NewReplacer("|", `\|`)
	for _, e := range entries {
		if e.table != last {
			if last != "" {
				b.WriteByte('\n')
			}
			last = e.table
			b.WriteString("#### " + heading(e.table) + "\n\n| key | value | if missing | meaning |\n|---|---|---|---|\n")
		}
		b.WriteString("| `" + e.key + "` | " + cell.Replace(e.value) + " | " + cell.Replace(e.missing) + " | " + cell.Replace(e.meaning) + " |\n")
	}
	return b.String()
}
