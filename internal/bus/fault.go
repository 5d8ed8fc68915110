package bus

import (
	"context"
	"crypto/tls"
	"errors"
	"io"
	"net"
	"strings"
	"syscall"

	"github.com/simonvetter/modbus"

	"rillwatch/internal/reading"
)

// exact maps the library's own error values.
var exact = [...]struct {
	err   modbus.Error
	fault reading.Fault
}{
	{modbus.ErrRequestTimedOut, reading.Timeout},
	{modbus.ErrBadCRC, reading.BadCRC},
	{modbus.ErrShortFrame, reading.BadCRC},
	{modbus.ErrProtocolError, reading.BadFrame},
	{modbus.ErrBadUnitId, reading.BadFrame},
	{modbus.ErrBadTransactionId, reading.BadFrame},
	{modbus.ErrUnknownProtocolId, reading.BadFrame},
	{modbus.ErrIllegalFunction, reading.IllegalFunction},
	{modbus.ErrIllegalDataAddress, reading.IllegalAddress},
	{modbus.ErrIllegalDataValue, reading.IllegalValue},
	{modbus.ErrServerDeviceFailure, reading.DeviceFailure},
	{modbus.ErrAcknowledge, reading.LongJob},
	{modbus.ErrServerDeviceBusy, reading.Busy},
	{modbus.ErrMemoryParityError, reading.MemoryParity},
	{modbus.ErrGWPathUnavailable, reading.NoPath},
	{modbus.ErrGWTargetFailedToRespond, reading.TargetSilent},
	// Found by the library before anything was sent: a request that never left.
	{modbus.ErrUnexpectedParameters, reading.NotAsked},
	{modbus.ErrConfigurationError, reading.NotAsked},
}

// faultOf names what an error of a link means. nil is Answered; an error that nothing is known of is NotConnected, since the link is
// replaced after it.
func faultOf(err error) reading.Fault {
	if err == nil {
		return reading.Answered
	}
	for _, e := range exact {
		if errors.Is(err, e.err) {
			return e.fault
		}
	}
	is := func(targets ...error) bool {
		for _, t := range targets {
			if errors.Is(err, t) {
				return true
			}
		}
		return false
	}
	var op *net.OpError
	dialling := errors.As(err, &op) && op.Op == "dial"
	var certificate *tls.CertificateVerificationError
	var name *net.DNSError
	var timer net.Error
	switch {
	case is(errLength):
		return reading.BadFrame
	case is(errSilent):
		return reading.Timeout
	case is(errDamaged):
		return reading.BadCRC
	case is(errOutOfStep, errNotQuiet, errFlood):
		return reading.OutOfStep
	case is(errListening):
		return reading.Listening
	case is(errForeign):
		return reading.AnotherMaster
	case is(errLocked):
		return reading.Refused
	case is(errCertificates):
		return reading.TLSRefused
	case is(errNotOpen, net.ErrClosed, syscall.EBADF):
		return reading.NotConnected
	case is(context.Canceled):
		return reading.NotAsked
	case errors.As(err, &certificate), strings.Contains(err.Error(), "remote error: tls:"):
		return reading.TLSRefused
	case strings.HasPrefix(err.Error(), "unknown exception code ("):
		// 0, 7, 9, 0x0C and above come as text only.
		return reading.OtherException
	case is(syscall.ECONNREFUSED):
		return reading.Refused
	case is(io.EOF, io.ErrUnexpectedEOF, syscall.ECONNRESET, syscall.EPIPE, syscall.ECONNABORTED):
		return reading.Closed
	case is(syscall.EIO, syscall.ENODEV, syscall.ENXIO, syscall.ENOENT):
		// A tty: hung up while open, or its node is gone.
		return reading.Unplugged
	case is(errOpenSlow, context.DeadlineExceeded, syscall.EHOSTUNREACH, syscall.ENETUNREACH, syscall.EHOSTDOWN, syscall.ENETDOWN), errors.As(err, &name), dialling:
		return reading.Unreachable
	case errors.As(err, &timer) && timer.Timeout():
		return reading.Timeout
	case op != nil:
		return reading.Closed
	}
	return reading.NotConnected
}

// clean tells whether the link may be trusted after a request that ended so: the device answered it, if only with an exception. After
// anything else the next bytes on the link may be the rest of this answer, so it is replaced.
func clean(f reading.Fault) bool {
	switch f {
	case reading.Answered,
		reading.IllegalFunction, reading.IllegalAddress, reading.IllegalValue, reading.DeviceFailure, reading.LongJob,
		reading.Busy, reading.MemoryParity, reading.NoPath, reading.TargetSilent, reading.OtherException,
		reading.NotAsked:
		return true
	}
	return false
}

// silent tells whether the station gave no sign of life though it was asked. An answer that is damaged or not ours is one; a gateway's
// word that nothing is behind it is none, and costs the line as much as silence does.
func silent(f reading.Fault) bool { return f == reading.Timeout || f == reading.TargetSilent }

// down tells whether the link, not the station, failed.
func down(f reading.Fault) bool {
	switch f {
	case reading.NotConnected, reading.Refused, reading.Unreachable, reading.Closed, reading.Unplugged, reading.TLSRefused:
		return true
	}
	return false
}
