package bus

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"syscall"
	"testing"

	"github.com/simonvetter/modbus"

	"rillwatch/internal/reading"
)

// The errors are those the library was measured to return over all its links, and what each was measured to mean.
func TestEveryErrorOfALinkHasItsFault(t *testing.T) {
	op := func(name string, err error) error {
		return &net.OpError{Op: name, Net: "tcp", Err: os.NewSyscallError(name, err)}
	}
	for _, c := range []struct {
		err   error
		want  reading.Fault
		clean bool // the link is kept
	}{
		{nil, reading.Answered, true},

		{modbus.ErrRequestTimedOut, reading.Timeout, false},
		{modbus.ErrBadCRC, reading.BadCRC, false},
		{modbus.ErrShortFrame, reading.BadCRC, false},
		{modbus.ErrProtocolError, reading.BadFrame, false},
		{modbus.ErrBadUnitId, reading.BadFrame, false},
		{modbus.ErrBadTransactionId, reading.BadFrame, false},
		{modbus.ErrUnknownProtocolId, reading.BadFrame, false},
		{errLength, reading.BadFrame, false},
		{errSilent, reading.Timeout, false},
		{errDamaged, reading.BadCRC, false},
		{errOutOfStep, reading.OutOfStep, false},
		{errNotQuiet, reading.OutOfStep, false},
		{errFlood, reading.OutOfStep, false},
		{errListening, reading.Listening, false},
		{errForeign, reading.AnotherMaster, false},
		{fmt.Errorf("/dev/x: %w", errLocked), reading.Refused, false},
		{fmt.Errorf("%w: no file", errCertificates), reading.TLSRefused, false},

		{modbus.ErrIllegalFunction, reading.IllegalFunction, true},
		{modbus.ErrIllegalDataAddress, reading.IllegalAddress, true},
		{modbus.ErrIllegalDataValue, reading.IllegalValue, true},
		{modbus.ErrServerDeviceFailure, reading.DeviceFailure, true},
		{modbus.ErrAcknowledge, reading.LongJob, true},
		{modbus.ErrServerDeviceBusy, reading.Busy, true},
		{modbus.ErrMemoryParityError, reading.MemoryParity, true},
		{modbus.ErrGWPathUnavailable, reading.NoPath, true},
		{modbus.ErrGWTargetFailedToRespond, reading.TargetSilent, true},
		{errors.New("unknown exception code (7)"), reading.OtherException, true},

		{modbus.ErrUnexpectedParameters, reading.NotAsked, true},
		{modbus.ErrConfigurationError, reading.NotAsked, true},
		{context.Canceled, reading.NotAsked, true},

		{io.EOF, reading.Closed, false},
		{io.ErrUnexpectedEOF, reading.Closed, false},
		{op("read", syscall.ECONNRESET), reading.Closed, false},
		{op("write", syscall.EPIPE), reading.Closed, false},
		{op("write", syscall.EINVAL), reading.Closed, false},
		{op("dial", syscall.ECONNREFUSED), reading.Refused, false},
		{op("read", syscall.ECONNREFUSED), reading.Refused, false}, // udp
		{op("dial", syscall.ETIMEDOUT), reading.Unreachable, false},
		{op("dial", syscall.EHOSTUNREACH), reading.Unreachable, false},
		{op("dial", syscall.ENETUNREACH), reading.Unreachable, false},
		{&net.OpError{Op: "dial", Net: "tcp", Err: os.ErrDeadlineExceeded}, reading.Unreachable, false},
		{&net.OpError{Op: "dial", Net: "tcp", Err: &net.DNSError{Err: "no such host", Name: "gateway"}}, reading.Unreachable, false},
		{context.DeadlineExceeded, reading.Unreachable, false}, // a TLS handshake
		{errOpenSlow, reading.Unreachable, false},
		{op("read", syscall.ETIMEDOUT), reading.Timeout, false},
		{net.ErrClosed, reading.NotConnected, false},
		{&net.OpError{Op: "write", Net: "tcp", Err: net.ErrClosed}, reading.NotConnected, false},
		{syscall.EBADF, reading.NotConnected, false},
		{errNotOpen, reading.NotConnected, false},

		{&os.PathError{Op: "read", Path: "/dev/ttyUSB0", Err: syscall.EIO}, reading.Unplugged, false},
		{&os.PathError{Op: "open", Path: "/dev/ttyUSB0", Err: syscall.ENOENT}, reading.Unplugged, false},
		{&os.PathError{Op: "open", Path: "/dev", Err: syscall.EISDIR}, reading.NotConnected, false},
		{errors.New("serial: could not set setting: invalid argument"), reading.NotConnected, false},
		{&tls.CertificateVerificationError{Err: errors.New("expired")}, reading.TLSRefused, false},
		{errors.New("remote error: tls: bad certificate"), reading.TLSRefused, false},

		{errors.New("something new"), reading.NotConnected, false},
	} {
		for _, err := range []error{c.err, fmt.Errorf("asking: %w", c.err)} {
			if (c.err == nil) != (err == nil) || c.want == reading.OtherException && err != c.err {
				continue // nothing to wrap; and the library gives that one only as a text of its own
			}
			got := faultOf(err)
			if got != c.want {
				t.Errorf("%v (%T): fault %v, want %v", err, c.err, got, c.want)
			}
			if clean(got) != c.clean {
				t.Errorf("%v: link kept %v, want %v", err, clean(got), c.clean)
			}
		}
	}
}

func TestOnlyAFaultOfTheLinkIsOneOfTheLink(t *testing.T) {
	for f := range reading.FaultCount {
		f := reading.Fault(f)
		if down(f) && (clean(f) || silent(f)) {
			t.Errorf("%v: is of the link, and yet the link is kept or the station blamed", f)
		}
		if clean(f) && f != reading.NotAsked && f.Reason() == reading.Silent && f != reading.TargetSilent {
			t.Errorf("%v: the link is kept though nothing was answered", f)
		}
	}
}
