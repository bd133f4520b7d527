package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"tipoff/drivers/registry"
	"tipoff/logger/config"
	"tipoff/logger/tube"
)

// check reads files as the daemon would and says what they mean.
func check(_ context.Context, e *env, args []string) error {
	fs := e.flags()
	written := fs.Bool("written", false, "print each tube card as it was understood, with all that follows from what it says")
	files, err := e.parse(fs, args, 1, -1)
	if err != nil {
		return err
	}
	var wrong []error
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err == nil {
			err = checkFile(e, file, text, *written)
		}
		if err != nil {
			wrong = append(wrong, err)
		}
	}
	return input(errors.Join(wrong...))
}

func checkFile(e *env, file string, text []byte, written bool) error {
	if !isBench(text) {
		c, err := tube.Parse(file, text)
		if err != nil {
			return err
		}
		text := fmt.Sprintf("%s: tube %s: %s", file, c.Name, c.Words())
		if c.Bore > 0 {
			text += fmt.Sprintf(", bore %.4g mm", 1e3*c.Bore)
		}
		if gaps := c.Gaps(); len(gaps) > 0 {
			text += "; not known: " + strings.Join(gaps, ", ")
		}
		_, err = fmt.Fprintln(e.out, text)
		if err == nil && written {
			_, err = e.out.Write(tube.Write(c))
		}
		return err
	}
	cfg, err := config.Parse(file, text, registry.All())
	if err != nil {
		return err
	}
	fmt.Fprintf(e.out, "%s: bench %s, page at %s, runs in %s\n", file, cfg.Name, cfg.Page.Listen, cfg.Store.Directory)
	for _, c := range cfg.Channels {
		fmt.Fprintf(e.out, "  %-10s %-9s %s %s %s %s\n", c.Name, c.Role, c.Driver, c.Bus, c.Address, c.Input)
	}
	if rows := cfg.Tables.Rows(); len(rows) > 0 {
		fmt.Fprintln(e.out, "  own table rows:", strings.Join(rows, ", "))
	}
	return nil
}

// isBench tells a bench.toml from a tube card by its tables, without parsing:
// a file that does not parse must still be reported as what it is.
func isBench(text []byte) bool {
	for line := range strings.Lines(string(text)) {
		line = strings.TrimSpace(line)
		if strings.HasPrefix(line, "[bench") || strings.HasPrefix(line, "[[channel") {
			return true
		}
	}
	return false
}
