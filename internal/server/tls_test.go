package server

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
)

// authority signs certificates for one test.
type authority struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	dir  string
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	key := newKey(t)
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"}, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageCertSign, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour)}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	a := &authority{cert: cert, key: key, dir: t.TempDir()}
	a.write(t, "authority.pem", "CERTIFICATE", der)
	return a
}

func newKey(t *testing.T) *ecdsa.PrivateKey {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func (a *authority) write(t *testing.T, name, kind string, der []byte) string {
	t.Helper()
	path := filepath.Join(a.dir, name)
	if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// issue writes a certificate and its key and returns their paths.
func (a *authority) issue(t *testing.T, name string) (certificate, key string) {
	t.Helper()
	own := newKey(t)
	template := &x509.Certificate{SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: name}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}}
	der, err := x509.CreateCertificate(rand.Reader, template, a.cert, &own.PublicKey, a.key)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalECPrivateKey(own)
	if err != nil {
		t.Fatal(err)
	}
	return a.write(t, name+".pem", "CERTIFICATE", der), a.write(t, name+"-key.pem", "EC PRIVATE KEY", keyDER)
}

func TestMutualTLSLetsInWhoHasACertificateAlone(t *testing.T) {
	a := newAuthority(t)
	certificate, key := a.issue(t, "server")
	config, err := LoadTLS(certificate, key, filepath.Join(a.dir, "authority.pem"))
	if err != nil {
		t.Fatal(err)
	}
	r := newRig(t, Config{TLS: config})
	grpcListener, httpListener := listen(t), listen(t)
	served := make(chan error, 1)
	go func() { served <- r.Serve(grpcListener, httpListener) }()

	roots := x509.NewCertPool()
	roots.AddCert(a.cert)
	clientCertificate, clientKey := a.issue(t, "client")
	pair, err := tls.LoadX509KeyPair(clientCertificate, clientKey)
	if err != nil {
		t.Fatal(err)
	}
	stranger := &tls.Config{RootCAs: roots}
	known := &tls.Config{RootCAs: roots, Certificates: []tls.Certificate{pair}}

	if err := getOver(httpListener, known); err != nil {
		t.Errorf("REST with a certificate: %v", err)
	}
	if err := getOver(httpListener, stranger); err == nil {
		t.Errorf("REST without a certificate was let in")
	}
	if err := checkOver(t, grpcListener, known); err != nil {
		t.Errorf("gRPC with a certificate: %v", err)
	}
	if err := checkOver(t, grpcListener, stranger); err == nil {
		t.Errorf("gRPC without a certificate was let in")
	}

	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if err := r.Shutdown(ctx); err != nil {
		t.Errorf("shutdown: %v", err)
	}
	if err := <-served; err != nil {
		t.Errorf("serve ended with %v, want nil after a shutdown", err)
	}
}

func listen(t *testing.T) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func getOver(l net.Listener, config *tls.Config) error {
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: config}, Timeout: 5 * time.Second}
	defer client.CloseIdleConnections()
	resp, err := client.Get("https://" + l.Addr().String() + "/healthz")
	if err != nil {
		return err
	}
	return resp.Body.Close()
}

func checkOver(t *testing.T, l net.Listener, config *tls.Config) error {
	t.Helper()
	conn, err := grpc.NewClient(l.Addr().String(), grpc.WithTransportCredentials(credentials.NewTLS(config)))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	_, err = healthpb.NewHealthClient(conn).Check(ctx, &healthpb.HealthCheckRequest{})
	return err
}

func TestARenewedCertificateIsTakenUp(t *testing.T) {
	a := newAuthority(t)
	certificate, key := a.issue(t, "server")
	config, err := LoadTLS(certificate, key, "")
	if err != nil {
		t.Fatal(err)
	}
	served := func() string {
		t.Helper()
		pair, err := config.GetCertificate(nil)
		if err != nil {
			t.Fatal(err)
		}
		return string(pair.Certificate[0])
	}
	first := served()
	if err := os.WriteFile(certificate, []byte("half a certific"), 0o600); err != nil {
		t.Fatal(err)
	}
	if served() != first {
		t.Errorf("a renewal that is half-way ends the service")
	}
	a.issue(t, "server")
	later := time.Now().Add(time.Minute)
	if err := os.Chtimes(certificate, later, later); err != nil {
		t.Fatal(err)
	}
	if served() == first {
		t.Errorf("the old certificate is served after the renewal")
	}
	if _, err := LoadTLS(filepath.Join(a.dir, "none.pem"), key, ""); err == nil {
		t.Errorf("a certificate that is not there is no error")
	}
}
