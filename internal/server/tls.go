package server

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
	"sync"
	"time"
)

// LoadTLS reads a certificate and its key, and where clientAuthorities is not
// empty the authorities that a client's certificate must come from (mutual
// TLS). All are PEM files. A certificate that is renewed in place is taken up
// with the next connection.
func LoadTLS(certificate, key, clientAuthorities string) (*tls.Config, error) {
	r := &renewed{certificate: certificate, key: key}
	if _, err := r.current(nil); err != nil {
		return nil, err
	}
	config := &tls.Config{GetCertificate: r.current, MinVersion: tls.VersionTLS12}
	if clientAuthorities == "" {
		return config, nil
	}
	pem, err := os.ReadFile(clientAuthorities)
	if err != nil {
		return nil, fmt.Errorf("read the client authorities: %w", err)
	}
	config.ClientCAs = x509.NewCertPool()
	if !config.ClientCAs.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%s holds no certificate in PEM", clientAuthorities)
	}
	config.ClientAuth = tls.RequireAndVerifyClientCert
	return config, nil
}

// renewed is a certificate that may be replaced on disk.
type renewed struct {
	certificate, key string

	mu   sync.Mutex
	from time.Time // modification time of the file that was read
	pair *tls.Certificate
}

// current returns the certificate, read anew if its file has changed. While a
// renewal is half-way (a certificate without its key yet) the old one serves.
func (r *renewed) current(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	info, err := os.Stat(r.certificate)
	if err == nil && r.pair != nil && info.ModTime().Equal(r.from) {
		return r.pair, nil
	}
	if err == nil {
		var pair tls.Certificate
		if pair, err = tls.LoadX509KeyPair(r.certificate, r.key); err == nil {
			r.from, r.pair = info.ModTime(), &pair
			return r.pair, nil
		}
	}
	if r.pair != nil {
		return r.pair, nil
	}
	return nil, fmt.Errorf("read the certificate %s with the key %s: %w", r.certificate, r.key, err)
}
