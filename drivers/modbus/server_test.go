package modbus

import (
	"io"
	"log"
	"net"
	"testing"
	"time"

	served "github.com/simonvetter/modbus"

	"tipoff/drivers"
	"tipoff/drivers/clock"
)

// bank is the registers of a server that others wrote.
type bank struct{ served.RequestHandler }

func (bank) HandleHoldingRegisters(r *served.HoldingRegistersRequest) ([]uint16, error) {
	if r.UnitId != 9 || r.Addr != 100 || r.Quantity != 2 || r.IsWrite {
		return nil, served.ErrIllegalDataAddress
	}
	return []uint16{0x3F80, 0}, nil // 1.0
}

func (bank) HandleInputRegisters(r *served.InputRegistersRequest) ([]uint16, error) {
	if r.UnitId != 9 || r.Addr != 7 || r.Quantity != 1 {
		return nil, served.ErrIllegalDataAddress
	}
	return []uint16{0xFFFE}, nil
}

// What this package sends is understood, and what it gets read, by a server
// that is not ours (simonvetter/modbus v1.6.4).
func TestOthersServer(t *testing.T) {
	var address string
	var srv *served.ModbusServer
	again(t, func() error { // a port that was free may be taken by now
		ln, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Skip(err)
		}
		address = ln.Addr().String()
		ln.Close()
		srv, err = served.NewServer(&served.ServerConfiguration{
			URL: "tcp://" + address, Timeout: time.Hour, MaxClients: 100, Logger: log.New(io.Discard, "", 0),
		}, bank{})
		if err != nil {
			t.Fatal(err)
		}
		return srv.Start()
	})
	defer func() {
		if err := srv.Stop(); err != nil {
			t.Error(err)
		}
	}()
	cfg := config("9", channel("one", "register", "100", "type", "f32"),
		channel("two", "register", "7", "type", "s16", "function", "input"))
	cfg.Bus = address
	src, err := TCP().Open(nil, clock.System{}, cfg)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	dst := make([]drivers.Sample, 512)
	again(t, func() error {
		if err := src.Start(ctx); err != nil {
			return err
		}
		for _, want := range []float64{1, -2} {
			n, _, err := src.Read(ctx, dst)
			if err != nil {
				return err
			}
			if n != 1 || dst[0].Raw != want {
				t.Fatalf("%d, %v; want %v", n, dst[0].Raw, want)
			}
		}
		return nil
	})
}
