package bus

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/binary"
	"encoding/pem"
	"io"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"rillwatch/internal/reading"
	"rillwatch/internal/site"
)

// authority signs certificates for a test.
type authority struct {
	t    *testing.T
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	next int64
}

func newAuthority(t *testing.T, name string) *authority {
	a := &authority{t: t, dir: t.TempDir(), next: 1}
	a.cert, a.key = a.sign(&x509.Certificate{IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign, Subject: pkix.Name{CommonName: name}}, "ca")
	return a
}

// sign makes a certificate and writes it and its key to NAME.crt and NAME.key.
func (a *authority) sign(c *x509.Certificate, name string) (*x509.Certificate, *ecdsa.PrivateKey) {
	a.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		a.t.Fatal(err)
	}
	a.next++
	c.SerialNumber = big.NewInt(a.next)
	c.NotBefore, c.NotAfter = time.Now().Add(-time.Hour), time.Now().Add(time.Hour)
	parent, by := c, key
	if a.cert != nil {
		parent, by = a.cert, a.key
	}
	der, err := x509.CreateCertificate(rand.Reader, c, parent, &key.PublicKey, by)
	if err != nil {
		a.t.Fatal(err)
	}
	secret, err := x509.MarshalECPrivateKey(key)
	if err != nil {
		a.t.Fatal(err)
	}
	for file, block := range map[string]*pem.Block{name + ".crt": {Type: "CERTIFICATE", Bytes: der}, name + ".key": {Type: "EC PRIVATE KEY", Bytes: secret}} {
		if err := os.WriteFile(filepath.Join(a.dir, file), pem.EncodeToMemory(block), 0o600); err != nil {
			a.t.Fatal(err)
		}
	}
	out, err := x509.ParseCertificate(der)
	if err != nil {
		a.t.Fatal(err)
	}
	return out, key
}

func (a *authority) client(name string) *x509.Certificate {
	c, _ := a.sign(&x509.Certificate{Subject: pkix.Name{CommonName: name}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}}, "client")
	return c
}

// secured is a server that wants a client's certificate of the authority, and counts the serial numbers it saw.
func (a *authority) secured(last *atomic.Int64) (string, net.Listener) {
	a.t.Helper()
	a.sign(&x509.Certificate{DNSNames: []string{"panel.larkfield"}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}, "server")
	pair, err := tls.LoadX509KeyPair(filepath.Join(a.dir, "server.crt"), filepath.Join(a.dir, "server.key"))
	if err != nil {
		a.t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(a.cert)
	l, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{Certificates: []tls.Certificate{pair}, ClientAuth: tls.RequireAndVerifyClientCert, ClientCAs: pool})
	if err != nil {
		a.t.Fatal(err)
	}
	a.t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer conn.Close()
				for n := 0; n < 20; n++ { // then it hangs up, so that new connections are made
					var b [12]byte
					if _, err := io.ReadFull(conn, b[:]); err != nil {
						return
					}
					last.Store(conn.(*tls.Conn).ConnectionState().PeerCertificates[0].SerialNumber.Int64())
					q := question{txn: binary.BigEndian.Uint16(b[0:]), unit: b[6], fc: b[7], count: binary.BigEndian.Uint16(b[10:])}
					if q.unit == 2 {
						continue // silent
					}
					if _, err := conn.Write(q.right()); err != nil {
						return
					}
				}
			}()
		}
	}()
	return l.Addr().String(), l
}

func (a *authority) site(address, name string) *site.Site {
	s := stationsOf(false, nil, 1, 2)
	b := &s.Buses[0]
	b.Scheme, b.Address, b.Period, b.Timeout = "tcp+tls", address, testPeriod, testTimeout
	b.TLS = site.TLS{CA: filepath.Join(a.dir, "ca.crt"), Cert: filepath.Join(a.dir, "client.crt"), Key: filepath.Join(a.dir, "client.key"), ServerName: name}
	return s
}

func TestASecuredLinkReadsAndARenewedCertificateNeedsNoRestart(t *testing.T) {
	a := newAuthority(t, "Larkfield mill")
	first := a.client("rillwatch")
	var last atomic.Int64
	address, _ := a.secured(&last)
	w := follow(t, a.site(address, "panel.larkfield"), time.Now(), discard())
	if r := w.untilFault(1, reading.Answered); r.Words[0] != 1 {
		t.Errorf("%+v", r)
	}
	w.untilFault(2, reading.Timeout)
	if n := last.Load(); n != first.SerialNumber.Int64() {
		t.Errorf("the server saw certificate %d, want %v", n, first.SerialNumber)
	}
	renewed := a.client("rillwatch")
	w.until("the renewed certificate", func(b reading.Batch) bool {
		return last.Load() == renewed.SerialNumber.Int64() && of1(b, 1).Fault == reading.Answered
	})
	w.endsWithin(200 * time.Millisecond)
}

func TestASecuredLinkIsRefusedByName(t *testing.T) {
	a := newAuthority(t, "Larkfield mill")
	a.client("rillwatch")
	var last atomic.Int64
	address, _ := a.secured(&last)
	for name, s := range map[string]func() *site.Site{
		"another name in the server's certificate": func() *site.Site { return a.site(address, "other.larkfield") },
		"a server of another authority": func() *site.Site {
			s := a.site(address, "panel.larkfield")
			s.Buses[0].TLS.CA = filepath.Join(newAuthority(t, "another").dir, "ca.crt")
			return s
		},
		"a client of another authority": func() *site.Site {
			other := newAuthority(t, "another")
			other.client("rillwatch")
			s := a.site(address, "panel.larkfield")
			s.Buses[0].TLS.Cert, s.Buses[0].TLS.Key = filepath.Join(other.dir, "client.crt"), filepath.Join(other.dir, "client.key")
			return s
		},
	} {
		t.Run(name, func(t *testing.T) {
			w := follow(t, s(), time.Now(), discard())
			w.untilFault(1, reading.TLSRefused)
			for _, b := range w.seen {
				if of1(b, 1).Fault == reading.Answered {
					t.Error("answered over a link that must be refused")
				}
			}
		})
	}
}

func TestASilentHandshakeIsGivenUpAndStopsAtOnce(t *testing.T) {
	a := newAuthority(t, "Larkfield mill")
	a.client("rillwatch")
	address := backlogOf(t, 8) // takes connections and says nothing
	w := follow(t, a.site(address, "panel.larkfield"), time.Now(), discard())
	w.untilFault(1, reading.Unreachable)
	w.endsWithin(200 * time.Millisecond)
}

func TestASecuredLinkStopsAtOnceWhileAStationIsSilent(t *testing.T) {
	a := newAuthority(t, "Larkfield mill")
	a.client("rillwatch")
	var last atomic.Int64
	address, _ := a.secured(&last)
	s := a.site(address, "panel.larkfield")
	s.Buses[0].Timeout = time.Second
	w := follow(t, s, time.Now(), discard())
	w.untilFault(1, reading.Answered) // the next question to station 2 takes a second
	select {
	case <-w.out:
	case <-time.After(300 * time.Millisecond):
	}
	w.endsWithin(200 * time.Millisecond)
}
