// A controller as an OPC UA server on node-opcua, for tests of the gateway: a
// user name alone, SignAndEncrypt unless told otherwise, the nodes of
// lapgate.NodeSet2.xml, on loopback.
//
// Prints "listening URL", runs a shift of rolls, and ends with one line of JSON.
// Exit code 1 when the shift did not end in time or an invariant broke.
//
//   node controller.mjs --nodeset FILE --pki FOLDER --user NAME [--rolls 40] [--limit 75] [--port 0]
//     [--modes SignAndEncrypt,Sign,None]
//
// The password is in the environment variable STANDIN_PASSWORD. The folder gets
// the certificates; own/certs/certificate.pem is the server's.
import { setTimeout as pause } from "node:timers/promises";
import { parseArgs } from "node:util";
import {
  DataType,
  MessageSecurityMode,
  OPCUACertificateManager,
  OPCUAServer,
  SecurityPolicy,
  StatusCodes,
  Variant,
  VariantArrayType,
  nodesets,
} from "node-opcua";

import { Controller, Image, Shift, gatewayBlocks, lengths, ring } from "./handshake.mjs";

// The library writes its remarks with console.log; standard output is for ours.
const say = (text) => process.stdout.write(`${text}\n`);
console.log = console.warn = console.error;

const scan = 20; // ms
const namespaceURI = "urn:lapgate:line";
const { values: options } = parseArgs({
  options: {
    nodeset: { type: "string" },
    pki: { type: "string" },
    user: { type: "string" },
    line: { type: "string", default: "north" },
    rolls: { type: "string", default: "40" },
    limit: { type: "string", default: "75" },
    port: { type: "string", default: "0" },
    modes: { type: "string", default: "SignAndEncrypt" },
  },
});
const password = process.env.STANDIN_PASSWORD;
if (!options.nodeset || !options.pki || !options.user || !password) {
  console.error("--nodeset, --pki, --user and STANDIN_PASSWORD are needed");
  process.exit(2);
}

const modes = options.modes.split(",");
const policies = [SecurityPolicy.Basic256Sha256, SecurityPolicy.Aes128_Sha256_RsaOaep, SecurityPolicy.Aes256_Sha256_RsaPss];
if (modes.includes("None")) policies.push(SecurityPolicy.None);
if (modes.some((mode) => MessageSecurityMode[mode] === undefined)) {
  console.error(`--modes ${options.modes}: want SignAndEncrypt, Sign or None`);
  process.exit(2);
}

const words = (value) => new Variant({ dataType: DataType.UInt16, arrayType: VariantArrayType.Array, value });

// take is a whole block or a refusal.
function take(image, name, variant) {
  if (variant.dataType !== DataType.UInt16 || variant.arrayType !== VariantArrayType.Array) return StatusCodes.BadTypeMismatch;
  if (variant.value.length !== lengths[name]) return StatusCodes.BadOutOfRange;
  image.area[name] = Uint16Array.from(variant.value);
  return StatusCodes.Good;
}

function bind(addressSpace, image) {
  const ns = addressSpace.getNamespaceIndex(namespaceURI);
  const variable = (name) => {
    const node = addressSpace.findNode(`ns=${ns};s=${options.line}.${name}`);
    if (!node) throw new Error(`the nodeset has no ${options.line}.${name}`);
    return node;
  };
  variable("Request").bindVariable({ get: () => words(image.request.slice()) }, true);
  for (let n = 0; n < ring; n++)
    variable(`Outcome.${String(n).padStart(2, "0")}`).bindVariable({ get: () => words(image.outcomes[n].slice()) }, true);
  for (const name of gatewayBlocks)
    variable(name).bindVariable({ get: () => words(image.area[name].slice()), set: (v) => take(image, name, v) }, true);
}

const manager = new OPCUACertificateManager({ rootFolder: options.pki, automaticallyAcceptUnknownCertificate: true });
await manager.initialize();
const server = new OPCUAServer({
  port: Number(options.port),
  host: "127.0.0.1",
  hostname: "127.0.0.1",
  alternateHostname: ["127.0.0.1", "localhost"], // for its certificate
  nodeset_filename: [nodesets.standard, options.nodeset],
  serverInfo: { applicationUri: "urn:lapgate:standin", productUri: "urn:lapgate:standin", applicationName: { text: "stand-in controller" } },
  serverCertificateManager: manager,
  userCertificateManager: manager,
  allowAnonymous: false,
  securityModes: modes.map((mode) => MessageSecurityMode[mode]),
  securityPolicies: policies,
  userManager: { isValidUser: (name, secret) => name === options.user && secret === password },
});
await server.initialize();
const image = new Image();
const shift = new Shift(new Controller(image), Number(options.rolls));
bind(server.engine.addressSpace, image);
await server.start();
say(`listening ${server.getEndpointUrl()}`);

const begin = performance.now();
const passed = () => performance.now() - begin;
while (!shift.done() && passed() < Number(options.limit) * 1000) {
  shift.step(100000 + Math.floor(passed() / 10));
  await pause(scan);
}
const report = { ...shift.report(), seconds: Math.round(passed() / 100) / 10 };
await pause(500); // the client's last answer is still on its way
await server.shutdown(100);
say(JSON.stringify(report));
process.exit(report.done && report.violations.length === 0 ? 0 : 1);
