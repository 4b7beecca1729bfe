// A provider of OpenID Connect for the tests. The first argument is JSON: port, client, keys, people and their claims.
import Provider from "oidc-provider";

const asked = JSON.parse(process.argv[2]);
const provider = new Provider(`http://127.0.0.1:${asked.port}`, {
  clients: [asked.client],
  jwks: asked.jwks,
  pkce: { required: () => true },
  cookies: { keys: ["of the tests"] },
  claims: { openid: ["sub"], profile: ["preferred_username", "groups"] },
  conformIdTokenClaims: asked.claimsByUserinfo,
  findAccount: (_context, id) => ({ accountId: id, claims: () => ({ sub: id, ...asked.people[id] }) }),
  features: { devInteractions: { enabled: true }, rpInitiatedLogout: { enabled: true } },
  clientBasedCORS: () => false,
});
provider.listen(asked.port, "127.0.0.1", () => console.log("listening"));
