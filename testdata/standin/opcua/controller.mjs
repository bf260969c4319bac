// A controller as an OPC UA server on node-opcua, for tests of the gateway: a
// user name alone, SignAndEncrypt unless told otherwise, the nodes of
// lapgate.NodeSet2.xml, on loopback.
//
// Prints "listening URL", runs a shift of rolls, and ends with one line of JSON,
// the ledger. Exit code 1 when the shift did not end in time or an invariant
// broke. After SIGTERM no more rolls come; the shift ends with the last one.
//
//   node controller.mjs --nodeset FILE --pki FOLDER --user NAME [--rolls 40] [--limit 75] [--port 0]
//     [--modes SignAndEncrypt,Sign,None] [--switch NAME[=VALUE]]…, see switches.mjs
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

import { Controller, Image, gatewayBlocks, lengths, narrow, ring } from "./handshake.mjs";
import { Shift } from "./shift.mjs";
import { parse, shown } from "./switches.mjs";

// The library writes its remarks with console.log; standard output is for ours.
const say = (text) => process.stdout.write(`${text}\n`);
console.log = console.warn = console.error;

const scan = 20; // ms
const after = 1.5; // s after the last roll: the gateway may still look at the last result
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
    switch: { type: "string", multiple: true, default: [] },
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

const switches = parse(options.switch);
if (switches.refuse && !StatusCodes[switches.refuse]) {
  console.error(`--switch refuse=${switches.refuse}: no status has this name`);
  process.exit(2);
}

// refusal is the status that this request of a block gets, and whether it takes
// effect first. The look before a gateway is armed, which ends with the first HELLO, is
// answered.
const asked = {};
const refused = {};
function refusal(step) {
  if (!switches.refuse || (step !== "write Hello" && !asked["write Hello"])) return {};
  const n = (asked[step] = (asked[step] ?? 0) + 1);
  const every = ["read Request", "write Heartbeat"].includes(step) ? 90 : 6;
  if (n % every !== (step === "write Hello" ? 1 : 4)) return {};
  refused[step] = (refused[step] ?? 0) + 1;
  return { status: StatusCodes[switches.refuse], effect: Math.floor(n / every) % 2 === 1 };
}

const words = (value) => new Variant({ dataType: DataType.UInt16, arrayType: VariantArrayType.Array, value });

// give is the words of a block or the status that stands for them.
const give = (name, value) => refusal(`read ${name}`).status ?? words(value.slice());

// giveOutcome is an entry of the ring, which may never have been written.
function giveOutcome(image, n) {
  const entry = image.outcomes[n];
  if (entry) return give("Outcome", entry);
  if (switches.unwritten === "bad") return StatusCodes.Bad;
  if (switches.unwritten === "waiting") return StatusCodes.BadWaitingForInitialData;
  return words(new Uint16Array(lengths.Outcome));
}

// take is a whole block or a refusal.
function take(image, name, variant) {
  if (variant.dataType !== DataType.UInt16 || variant.arrayType !== VariantArrayType.Array) return StatusCodes.BadTypeMismatch;
  if (variant.value.length !== lengths[name]) return StatusCodes.BadOutOfRange;
  const { status, effect } = refusal(`write ${name}`);
  if (!status || effect) image.area[name] = Uint16Array.from(variant.value);
  return status ?? StatusCodes.Good;
}

function bind(addressSpace, image) {
  const ns = addressSpace.getNamespaceIndex(namespaceURI);
  const variable = (name) => {
    const node = addressSpace.findNode(`ns=${ns};s=${options.line}.${name}`);
    if (!node) throw new Error(`the nodeset has no ${options.line}.${name}`);
    return node;
  };
  variable("Request").bindVariable({ get: () => give("Request", image.request) }, true);
  for (let n = 0; n < ring; n++)
    variable(`Outcome.${String(n).padStart(2, "0")}`).bindVariable({ get: () => giveOutcome(image, n) }, true);
  if (image.limits) variable("Limits").bindVariable({ get: () => give("Limits", image.limits) }, true);
  for (const name of gatewayBlocks) {
    const get = () => (switches.strict ? StatusCodes.BadNotReadable : give(name, image.area[name]));
    variable(name).bindVariable({ get, set: (v) => take(image, name, v) }, true);
  }
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
const known = server.engine.addressSpace.findNode(`ns=${server.engine.addressSpace.getNamespaceIndex(namespaceURI)};s=${options.line}.Limits`);
if (switches["narrow-limits"]) narrow();
const program = new Controller(image, shown(switches), known !== null && !switches["no-limits"]);
const shift = new Shift(program, Number(options.rolls), switches);
process.on("SIGTERM", () => shift.end());
bind(server.engine.addressSpace, image);
await server.start();
say(`listening ${server.getEndpointUrl()}`);

let last = performance.now();
let passed = 0;
let end = Number(options.limit) * 1000;
let done = false;
while (passed < end) {
  // Time that this process did not get is time in which controller and line stood.
  const now = performance.now();
  passed += Math.min(now - last, 5 * scan);
  last = now;
  shift.step(100000 + Math.floor(passed / 10));
  if (shift.done() && !done) {
    end = passed + after * 1000;
    done = true;
  }
  await pause(scan);
}
const report = { ...shift.report(), refused, seconds: Math.round(passed / 100) / 10 };
await pause(500); // the client's last answer is still on its way
await server.shutdown(100);
say(JSON.stringify(report));
process.exit(report.done && report.violations.length === 0 ? 0 : 1);
