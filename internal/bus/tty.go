package bus

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"golang.org/x/sys/unix"

	"rillwatch/internal/site"
)

var errLocked = errors.New("bus: another program has the serial device")

var baudFlags = map[int]uint32{
	1200: unix.B1200, 2400: unix.B2400, 4800: unix.B4800, 9600: unix.B9600, 19200: unix.B19200, 38400: unix.B38400,
	57600: unix.B57600, 115200: unix.B115200, 230400: unix.B230400,
}

// character is the control flags of a line's characters, or why they cannot be set.
func character(b *site.Bus) (uint32, error) {
	flags, ok := baudFlags[b.Baud]
	if !ok {
		return 0, fmt.Errorf("baud %d: want one of %v", b.Baud, site.Bauds)
	}
	flags |= unix.CS8 | unix.CREAD | unix.CLOCAL
	switch b.Parity {
	case "none":
	case "even":
		flags |= unix.PARENB
	case "odd":
		flags |= unix.PARENB | unix.PARODD
	default:
		return 0, fmt.Errorf("parity %q: want none, even or odd", b.Parity)
	}
	switch b.StopBits {
	case 1:
	case 2:
		flags |= unix.CSTOPB
	default:
		return 0, fmt.Errorf("stop bits %d: want 1 or 2", b.StopBits)
	}
	return flags, nil
}

// dialTTY opens a serial device for this process alone. Reads and writes wait in the runtime's poller, which has no bound on the number of
// a descriptor and ends a read when the adapter is unplugged; a select on it would have neither.
func dialTTY(path string, character uint32) func(context.Context) (stream, error) {
	return func(context.Context) (stream, error) {
		fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
		if err != nil {
			return nil, &os.PathError{Op: "open", Path: path, Err: err}
		}
		if err := claim(fd, character); err != nil {
			_ = unix.Close(fd)
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		return &tty{os.NewFile(uintptr(fd), path)}, nil
	}
}

// claim locks a serial device and sets it raw.
func claim(fd int, character uint32) error {
	// The lock of this program and its like, and the one that keeps out whoever opens the device without asking (but for root).
	if err := unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		if errors.Is(err, unix.EWOULDBLOCK) {
			return errLocked
		}
		return fmt.Errorf("lock: %w", err)
	}
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return fmt.Errorf("no serial device: %w", err)
	}
	if err := unix.IoctlSetInt(fd, unix.TIOCEXCL, 0); err != nil {
		return fmt.Errorf("claim: %w", err)
	}
	t.Iflag, t.Oflag, t.Lflag, t.Cflag = 0, 0, 0, character
	if character&unix.PARENB != 0 {
		t.Iflag = unix.INPCK // a character of wrong parity is read as 0, and the frame's check fails
	}
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	if err := unix.IoctlSetTermios(fd, unix.TCSETS, t); err != nil {
		return fmt.Errorf("set: %w", err)
	}
	if err := unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCIOFLUSH); err != nil {
		return fmt.Errorf("flush: %w", err)
	}
	return nil
}

// tty is an open serial device.
type tty struct{ *os.File }

// Read never ends a tty: where there is nothing to read any more, the adapter is gone.
func (t *tty) Read(b []byte) (int, error) {
	n, err := t.File.Read(b)
	if err == io.EOF {
		err = unix.EIO
	}
	return n, err
}

// Close drops what has not left yet, so that a line that takes nothing cannot hold up a stop.
func (t *tty) Close() error {
	if raw, err := t.SyscallConn(); err == nil {
		_ = raw.Control(func(fd uintptr) {
			_ = unix.IoctlSetInt(int(fd), unix.TCFLSH, unix.TCIOFLUSH)
			_ = unix.IoctlSetInt(int(fd), unix.TIOCNXCL, 0)
		})
	}
	return t.File.Close()
}
