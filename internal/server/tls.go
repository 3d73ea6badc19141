package server

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
)

// LoadTLS reads a certificate and its key, and where clientAuthorities is not
// empty the authorities that a client's certificate must come from (mutual
// TLS). All are PEM files.
func LoadTLS(certificate, key, clientAuthorities string) (*tls.Config, error) {
	pair, err := tls.LoadX509KeyPair(certificate, key)
	if err != nil {
		return nil, fmt.Errorf("read the certificate %s with the key %s: %w", certificate, key, err)
	}
	config := &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
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
