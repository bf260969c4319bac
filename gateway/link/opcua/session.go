package opcua

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"

	"github.com/gopcua/opcua/ua"
)

// nonceLength is what the policies want at least, in bytes.
const nonceLength = 32

// sessionError is a refusal of the session.
type sessionError struct {
	step string
	err  error
}

func (e *sessionError) Error() string { return e.step + ": " + e.err.Error() }
func (e *sessionError) Unwrap() error { return e.err }

// login opens a session on the channel for the user of the settings. The
// server must prove that it has the key of the certificate that was checked.
func (c *channel) login(ctx context.Context, s *Settings, server *serverEndpoint, own *identity) error {
	nonce := make([]byte, nonceLength)
	if _, err := rand.Read(nonce); err != nil {
		return err
	}
	application := &ua.ApplicationDescription{
		ApplicationURI:  "urn:lapgate",
		ProductURI:      "urn:lapgate",
		ApplicationName: ua.NewLocalizedText("lapgate"),
		ApplicationType: ua.ApplicationTypeClient,
	}
	request := &ua.CreateSessionRequest{
		ClientDescription:       application,
		EndpointURL:             c.url,
		SessionName:             "lapgate " + s.Line,
		ClientNonce:             nonce,
		RequestedSessionTimeout: float64(sessionTimeout.Milliseconds()),
		MaxResponseMessageSize:  maxMessage,
	}
	if own != nil {
		application.ApplicationURI = own.uri()
		request.ClientCertificate = own.cert.Raw
	}
	answer, err := c.call(ctx, request)
	if err != nil {
		return &sessionError{"opening a session", err}
	}
	created, ok := answer.(*ua.CreateSessionResponse)
	if !ok || created.AuthenticationToken == nil {
		return fmt.Errorf("opening a session: answer is a %T, want a session", answer)
	}
	if s.Policy != PolicyNone {
		if err := c.prove(server, created, nonce); err != nil {
			return fmt.Errorf("opening a session: %w", err)
		}
	}
	activate, err := c.credentials(s, server, created.ServerNonce)
	if err != nil {
		return err
	}
	c.token = created.AuthenticationToken
	if _, err := c.call(ctx, activate); err != nil {
		return &sessionError{"logging in (" + describe(s.User.kind()) + ")", err}
	}
	return nil
}

// prove checks the server's signature, with the certificate that was checked.
func (c *channel) prove(server *serverEndpoint, created *ua.CreateSessionResponse, nonce []byte) error {
	if shown, err := leaf(created.ServerCertificate); err != nil || !bytes.Equal(shown.Raw, server.leaf.Raw) {
		return errors.New("the server shows another certificate than the one that was checked; somebody may stand between")
	}
	if created.ServerSignature == nil {
		return errors.New("the server proves nothing: the answer has no signature")
	}
	if err := c.secure.VerifySessionSignature(server.leaf.Raw, nonce, created.ServerSignature.Signature); err != nil {
		return fmt.Errorf("the server's signature is wrong, it has not the key of its certificate: %w", err)
	}
	return nil
}

// credentials makes the login. The kind of user is the one configured: there
// is no falling back to anonymous.
func (c *channel) credentials(s *Settings, server *serverEndpoint, nonce []byte) (*ua.ActivateSessionRequest, error) {
	request := &ua.ActivateSessionRequest{
		ClientSignature:    &ua.SignatureData{},
		LocaleIDs:          []string{"en"},
		UserTokenSignature: &ua.SignatureData{},
	}
	policy := server.login
	algorithm := policy.SecurityPolicyURI
	if algorithm == "" {
		algorithm = s.Policy.uri()
	}
	var err error
	if s.Policy != PolicyNone {
		request.ClientSignature.Signature, request.ClientSignature.Algorithm, err = c.secure.NewSessionSignature(server.leaf.Raw, nonce)
		if err != nil {
			return nil, fmt.Errorf("signing: %w", err)
		}
	}
	switch s.User.kind() {
	case ua.UserTokenTypeUserName:
		token := &ua.UserNameIdentityToken{PolicyID: policy.PolicyID, UserName: s.User.Name}
		if algorithm == ua.SecurityPolicyURINone {
			token.Password = []byte(s.User.Password) // only inside an encrypted channel, see choose
		} else if token.Password, token.EncryptionAlgorithm, err = c.secure.EncryptUserPassword(algorithm, string(s.User.Password), server.leaf.Raw, nonce); err != nil {
			return nil, fmt.Errorf("encrypting the password: %w", err)
		}
		request.UserIdentityToken = ua.NewExtensionObject(token)
	case ua.UserTokenTypeCertificate:
		token := &ua.X509IdentityToken{PolicyID: policy.PolicyID, CertificateData: s.User.Certificate}
		signature := request.UserTokenSignature
		if signature.Signature, signature.Algorithm, err = c.secure.NewUserTokenSignature(algorithm, server.leaf.Raw, nonce); err != nil {
			return nil, fmt.Errorf("signing for the user: %w", err)
		}
		request.UserIdentityToken = ua.NewExtensionObject(token)
	default:
		request.UserIdentityToken = ua.NewExtensionObject(&ua.AnonymousIdentityToken{PolicyID: policy.PolicyID})
	}
	return request, nil
}
