// Command tipoff records the processing of luminous glass tubes: it reads a
// bench's sensors, follows each run phase by phase against computed limits,
// sounds alarms, keeps every run and charts it.
//
// It records and warns. It is no safety device and never switches the
// bombarder.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"
)

// Exit codes: wrong input is told from failure, so that scripts can tell too.
const (
	exitOK      = 0
	exitFailure = 1
	exitInput   = 2 // flags, configuration, card, calibration or trace are wrong
)

// verb is one command of tipoff.
type verb struct {
	name, args, about string
	run               func(ctx context.Context, env *env, args []string) error
}

// env is what a verb may use of its surroundings.
type env struct {
	out, err io.Writer
	verb     *verb
}

func verbs() []verb {
	return []verb{
		{"demo", "", "run everything on an emulated bench", demo},
		{"serve", "--bench bench.toml", "record on the bench that the file describes", serve},
		{"probe", "", "look at what is connected and how to wire it, try the buzzer, write a first bench.toml", probeVerb},
		{"check", "FILE…", "check a bench.toml or tube cards and say what they mean", check},
		{"import", "TRACE.csv", "record a trace into the archive as a run", importTrace},
		{"replay", "FILE", "play a trace or a recorded run on the bench page", replay},
		{"runs", "", "list the recorded runs", runs},
		{"sheet", "RUN", "write a run's charts and print its account", sheetOf},
		{"export", "RUN", "print a recorded run as a trace that import reads", exportRun},
		{"card", "RUN CARD.toml", "give a recorded run its tube card", giveCard},
		{"observe", "RUN [KIND]", "write down what was seen of a run's tube afterwards", observe},
		{"age", "[RUN|CARD.toml]", "record a tube on its own supply for hours, or say how far it is", age},
		{"patterns", "", "set what was seen of tubes against what their runs did", patterns},
		{"trend", "", "follow pump and leaks over the recorded runs", trend},
		{"learn", "", "learn the bench's own constants from its runs, or show what was learned", learnVerb},
		{"calibrate", "CHANNEL", "calibrate a channel against a reference", calibrate},
		{"recompute", "RUN…", "apply another calibration to recorded runs", recompute},
		{"limits", "CARD.toml", "print the limits for a tube, each with its reason", limits},
		{"rehearse", "CARD.toml", "predict a tube's run before it is hung, as a table and a chart", rehearse},
		{"verify", "[RUN…]", "check recorded runs against their checksums", verify},
		{"version", "", "print the version", func(_ context.Context, e *env, _ []string) error {
			_, err := fmt.Fprintln(e.out, version())
			return err
		}},
	}
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// inputError marks what the user has to correct.
type inputError struct{ err error }

func (e inputError) Error() string { return e.err.Error() }
func (e inputError) Unwrap() error { return e.err }

// input marks err, if there is one, as the user's to correct.
func input(err error) error {
	if err == nil {
		return nil
	}
	return inputError{err}
}

func run(ctx context.Context, args []string, out, errOut io.Writer) int {
	all := verbs()
	if len(args) == 0 || args[0] == "help" || args[0] == "-h" || args[0] == "--help" {
		w := out
		if len(args) == 0 {
			w = errOut
		}
		usage(w, all)
		if len(args) == 0 {
			return exitInput
		}
		return exitOK
	}
	for i := range all {
		if all[i].name != args[0] {
			continue
		}
		e := &env{out: out, err: errOut, verb: &all[i]}
		err := all[i].run(ctx, e, args[1:])
		var wrong inputError
		switch {
		case err == nil, errors.Is(err, flag.ErrHelp):
			return exitOK
		case errors.As(err, &wrong):
			fmt.Fprintf(errOut, "tipoff %s: %v\n", all[i].name, err)
			return exitInput
		default:
			fmt.Fprintf(errOut, "tipoff %s: %v\n", all[i].name, err)
			return exitFailure
		}
	}
	names := make([]string, len(all))
	for i := range all {
		names[i] = all[i].name
	}
	fmt.Fprintf(errOut, "tipoff: no verb %q; allowed: %s\n", args[0], strings.Join(names, ", "))
	return exitInput
}

func usage(w io.Writer, all []verb) {
	fmt.Fprint(w, "tipoff records the processing of luminous glass tubes. It records and warns;\nit is no safety device and never switches the bombarder.\n\n")
	for _, v := range all {
		fmt.Fprintf(w, "  tipoff %-28s %s\n", strings.TrimSpace(v.name+" "+v.args), v.about)
	}
	fmt.Fprint(w, "\n'tipoff VERB -h' lists a verb's flags.\n")
}

// flags makes a flag set that prints a verb's usage and reports what is wrong
// as an input error.
func (e *env) flags() *flag.FlagSet {
	fs := flag.NewFlagSet(e.verb.name, flag.ContinueOnError)
	fs.SetOutput(io.Discard)
	return fs
}

// parse reads flags and returns the operands, which may stand before, between
// or after flags. least and most bound their number; most < 0 is no bound.
func (e *env) parse(fs *flag.FlagSet, args []string, least, most int) ([]string, error) {
	var operands []string
	for {
		if err := fs.Parse(args); err != nil {
			if errors.Is(err, flag.ErrHelp) {
				fmt.Fprintf(e.out, "tipoff %s: %s\n\nusage: tipoff %s [flags]\n", e.verb.name, e.verb.about,
					strings.TrimSpace(e.verb.name+" "+e.verb.args))
				fs.SetOutput(e.out)
				fs.PrintDefaults()
				return nil, err
			}
			return nil, input(err)
		}
		args = fs.Args()
		if len(args) == 0 {
			break
		}
		operands = append(operands, args[0])
		args = args[1:]
	}
	if n := len(operands); n < least || most >= 0 && n > most {
		return nil, input(fmt.Errorf("found %d operands; usage: tipoff %s %s", n, e.verb.name, e.verb.args))
	}
	return operands, nil
}

// version is the module version the binary was built from, with the revision
// if the build knew it.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	v := info.Main.Version
	if v == "" || v == "(devel)" {
		v = "0.1.0"
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 {
			v += " (" + s.Value[:12] + ")"
		}
	}
	return v
}
