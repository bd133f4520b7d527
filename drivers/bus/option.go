package bus

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"tipoff/drivers"
)

// Options reads the options of one input of a driver.
type Options struct {
	driver string
	input  string
	known  []drivers.Option
	values map[string]string
}

// NewOptions checks that every option given is known.
func NewOptions(d drivers.Driver, in drivers.InputConfig) (*Options, error) {
	o := &Options{driver: d.Name, input: in.Input, known: d.Options, values: in.Options}
	var keys []string
	for _, k := range d.Options {
		keys = append(keys, k.Key)
	}
	for k := range in.Options {
		if !slices.Contains(keys, k) {
			return nil, fmt.Errorf("%s: unknown option %q, allowed are: %s: %w",
				o.where(), k, strings.Join(keys, ", "), drivers.BadConfig)
		}
	}
	return o, nil
}

func (o *Options) where() string {
	if o.input == "" {
		return o.driver
	}
	return fmt.Sprintf("%s input %q", o.driver, o.input)
}

func (o *Options) option(key string) (value string, opt drivers.Option) {
	for _, k := range o.known {
		if k.Key == key {
			opt = k
		}
	}
	if v := strings.TrimSpace(o.values[key]); v != "" {
		return v, opt
	}
	return opt.Default, opt
}

// Wrong is the error of an option that has a value which is not allowed.
func (o *Options) Wrong(key string) error {
	v, opt := o.option(key)
	return fmt.Errorf("%s: option %s = %q, allowed is: %s: %w", o.where(), key, v, opt.Allowed, drivers.BadConfig)
}

// Word is the option's text.
func (o *Options) Word(key string) string {
	v, _ := o.option(key)
	return v
}

// YesNo reads "yes" or "no".
func (o *Options) YesNo(key string) (bool, error) {
	switch o.Word(key) {
	case "yes":
		return true, nil
	case "no":
		return false, nil
	}
	return false, o.Wrong(key)
}

// Number reads a number with the unit given behind it, space or not, and an
// optional ± before it: "±4.096 V", "860/s", "2 %".
func (o *Options) Number(key, unit string) (float64, error) {
	v := strings.TrimSpace(strings.TrimPrefix(o.Word(key), "±"))
	v, ok := strings.CutSuffix(v, unit)
	f, err := strconv.ParseFloat(strings.TrimSpace(v), 64)
	if !ok || err != nil || !(f > 0 && f < 1e9) {
		return 0, o.Wrong(key)
	}
	return f, nil
}

// Signed reads a number from low to high with the unit given behind it, space or
// not: "-20 °C".
func (o *Options) Signed(key, unit string, low, high float64) (float64, error) {
	v, ok := strings.CutSuffix(o.Word(key), unit)
	f, err := strconv.ParseFloat(strings.TrimSpace(v), 64)
	if !ok || err != nil || !(f >= low && f <= high) {
		return 0, o.Wrong(key)
	}
	return f, nil
}

// Letter reads an option that is one letter of letters and gives its place.
func (o *Options) Letter(key, letters string) (index int, letter byte, err error) {
	word := o.Word(key)
	index = strings.Index(letters, word)
	if len(word) != 1 || index < 0 {
		return 0, 0, o.Wrong(key)
	}
	return index, word[0], nil
}

// Only gives the options of a device that has one input, of the driver's own
// name for it.
func Only(d drivers.Driver, cfg drivers.Config) (*Options, error) {
	if len(cfg.Inputs) != 1 {
		return nil, fmt.Errorf("%s: it has one input, %d channels use it: %w", d.Name, len(cfg.Inputs), drivers.BadConfig)
	}
	if _, err := Input(d, cfg.Inputs[0].Input); err != nil {
		return nil, err
	}
	return NewOptions(d, cfg.Inputs[0])
}

// Address reads a 7-bit I²C address, empty for def, that must be in allowed.
func Address(driver, text string, def uint16, allowed []uint16) (uint16, error) {
	if text == "" {
		return def, nil
	}
	n, err := strconv.ParseUint(text, 0, 8)
	if err != nil || !slices.Contains(allowed, uint16(n)) {
		var list []string
		for _, a := range allowed {
			list = append(list, fmt.Sprintf("0x%02X", a))
		}
		return 0, fmt.Errorf("%s: address = %q, allowed are: %s: %w", driver, text, strings.Join(list, ", "), drivers.BadConfig)
	}
	return uint16(n), nil
}

// Input checks that an input is one of the driver's.
func Input(d drivers.Driver, name string) (index int, err error) {
	if i := slices.Index(d.Inputs, name); i >= 0 {
		return i, nil
	}
	var list []string
	for _, s := range d.Inputs {
		list = append(list, strconv.Quote(s))
	}
	return 0, fmt.Errorf("%s: unknown input %q, allowed are: %s: %w", d.Name, name, strings.Join(list, ", "), drivers.BadConfig)
}

// Period is the time between samples at rate per second.
func Period(rate float64) time.Duration { return time.Duration(1e9 / rate) }
