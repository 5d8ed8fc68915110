package cli_test

import (
	"fmt"
	"io"
	"log"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/simonvetter/modbus"
)

// device is a Modbus server of a script, station 1. Its registers are what the file "device" says at the moment of the question, a line a run:
// TABLE WIRE-ADDRESS WORDS. What the file does not say is answered with exception 02. Its address is $DEVICE. The file "written" appears
// when anything but a read is asked.
type device struct{ dir string }

func setup(env *testscript.Env) error {
	if err := stub(env); err != nil {
		return err
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	address := l.Addr().String()
	if err := l.Close(); err != nil { // the library cannot take a free port by itself
		return err
	}
	srv, err := modbus.NewServer(&modbus.ServerConfiguration{URL: "tcp://" + address, MaxClients: 20, Logger: log.New(io.Discard, "", 0)}, &device{env.WorkDir})
	if err != nil {
		return err
	}
	if err := srv.Start(); err != nil {
		return err
	}
	env.Defer(func() { _ = srv.Stop() })
	env.Setenv("DEVICE", "tcp://"+address)
	if err := hangUp(env, strings.TrimPrefix(env.Getenv("DEVICE"), "tcp://")); err != nil {
		return err
	}
	l, err = net.Listen("tcp", "127.0.0.1:0") // where a script may start the rig
	if err != nil {
		return err
	}
	env.Setenv("RIG", l.Addr().String())
	if err := l.Close(); err != nil {
		return err
	}
	return nil
}

// hangUp is a gateway before the device that ends the connection whenever station 2 is asked. Its address is $HANGUP.
func hangUp(env *testscript.Env, to string) error {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	env.Setenv("HANGUP", "tcp://"+l.Addr().String())
	env.Defer(func() { _ = l.Close() })
	go func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer in.Close()
				out, err := net.Dial("tcp", to)
				if err != nil {
					return
				}
				defer out.Close()
				go func() {
					_, _ = io.Copy(in, out)
					_ = in.Close()
				}()
				request := make([]byte, 12) // every read is 12 bytes, and its station the seventh (Modbus Messaging on TCP/IP V1.0b, 3.1.3)
				for {
					if _, err := io.ReadFull(in, request); err != nil || request[6] == 2 {
						return
					}
					if _, err := out.Write(request); err != nil {
						return
					}
				}
			}()
		}
	}()
	return nil
}

// words are those of a run, or exception 02.
func (d *device) words(table string, unit uint8, write bool, addr, n uint16) ([]uint16, error) {
	if write {
		_ = os.WriteFile(filepath.Join(d.dir, "written"), []byte(fmt.Sprintf("%s %d\n", table, addr)), 0o600)
		return nil, modbus.ErrIllegalFunction
	}
	if unit != 1 {
		return nil, modbus.ErrGWTargetFailedToRespond
	}
	text, err := os.ReadFile(filepath.Join(d.dir, "device"))
	if err != nil {
		return nil, modbus.ErrServerDeviceFailure
	}
	have := map[int]uint16{}
	for _, l := range strings.Split(string(text), "\n") {
		f := strings.Fields(l)
		if len(f) < 3 || f[0] != table {
			continue
		}
		from, err := strconv.Atoi(f[1])
		for i, w := range f[2:] {
			v, err2 := strconv.ParseUint(w, 16, 16)
			if err != nil || err2 != nil {
				return nil, modbus.ErrServerDeviceFailure
			}
			have[from+i] = uint16(v)
		}
	}
	out := make([]uint16, n)
	for i := range out {
		w, ok := have[int(addr)+i]
		if !ok {
			return nil, modbus.ErrIllegalDataAddress
		}
		out[i] = w
	}
	return out, nil
}

func (d *device) bits(table string, unit uint8, write bool, addr, n uint16) ([]bool, error) {
	words, err := d.words(table, unit, write, addr, n)
	out := make([]bool, len(words))
	for i, w := range words {
		out[i] = w != 0
	}
	return out, err
}

func (d *device) HandleCoils(r *modbus.CoilsRequest) ([]bool, error) {
	return d.bits("coil", r.UnitId, r.IsWrite, r.Addr, r.Quantity)
}

func (d *device) HandleDiscreteInputs(r *modbus.DiscreteInputsRequest) ([]bool, error) {
	return d.bits("discrete", r.UnitId, false, r.Addr, r.Quantity)
}

func (d *device) HandleHoldingRegisters(r *modbus.HoldingRegistersRequest) ([]uint16, error) {
	return d.words("holding", r.UnitId, r.IsWrite, r.Addr, r.Quantity)
}

func (d *device) HandleInputRegisters(r *modbus.InputRegistersRequest) ([]uint16, error) {
	return d.words("input", r.UnitId, false, r.Addr, r.Quantity)
}
