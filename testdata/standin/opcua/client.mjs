// An OPC UA client on node-opcua that looks at the simulator: it browses,
// reads, writes and subscribes, signed and encrypted, and holds what it finds
// against lapgate.NodeSet2.xml. Exit code 1 on any difference.
//
//   node client.mjs --pki FOLDER --certificate FILE                      makes a certificate, and ends
//   node client.mjs --pki FOLDER --endpoint URL --nodeset FILE --user NAME
//   node client.mjs --pki FOLDER --endpoint URL --user NAME --refused    wants to be refused
//
// The password is in the environment variable STANDIN_PASSWORD.
import { copyFile, readFile } from "node:fs/promises";
import os from "node:os";
import path from "node:path";
import { parseArgs } from "node:util";
import {
  AttributeIds,
  ClientMonitoredItem,
  ClientSubscription,
  DataType,
  MessageSecurityMode,
  NodeClass,
  OPCUACertificateManager,
  OPCUAClient,
  SecurityPolicy,
  StatusCodes,
  TimestampsToReturn,
  UserTokenType,
  VariantArrayType,
  standardUnits,
} from "node-opcua";

import { seal, two, whole } from "./handshake.mjs";

const { values: options } = parseArgs({
  options: {
    endpoint: { type: "string" },
    nodeset: { type: "string" },
    pki: { type: "string" },
    certificate: { type: "string" },
    user: { type: "string" },
    refused: { type: "boolean", default: false },
    line: { type: "string", default: "north" },
  },
});
// The library writes its remarks with console.log; standard output is for ours.
const say = (text) => process.stdout.write(`${text}\n`);
console.log = console.warn = console.error;

const applicationUri = "urn:lapgate:standin:client";
const namespaceURI = "urn:lapgate:line";
const password = process.env.STANDIN_PASSWORD;
const policies = [SecurityPolicy.Basic256Sha256, SecurityPolicy.Aes128_Sha256_RsaOaep, SecurityPolicy.Aes256_Sha256_RsaPss];

const wrong = [];
let checked = 0;
function same(what, got, want) {
  checked++;
  if (String(got) !== String(want)) wrong.push(`${what}: got ${got}, want ${want}`);
}

const manager = new OPCUACertificateManager({ rootFolder: options.pki, automaticallyAcceptUnknownCertificate: true });
await manager.initialize();
const certificateFile = path.join(options.pki, "own", "certs", "client.pem");

function client(securityPolicy, securityMode) {
  return OPCUAClient.create({
    applicationName: "stand-in client",
    applicationUri,
    certificateFile,
    privateKeyFile: manager.privateKey,
    clientCertificateManager: manager,
    securityPolicy,
    securityMode,
    endpointMustExist: true,
    connectionStrategy: { maxRetry: 0, initialDelay: 100 },
    requestedSessionTimeout: 30000,
  });
}

const login = (secret = password) => ({ type: UserTokenType.UserName, userName: options.user, password: secret });

// within runs f in a session and closes everything.
async function within(policy, mode, identity, f) {
  const c = client(policy, mode);
  try {
    await c.connect(options.endpoint);
    const session = await c.createSession(identity);
    try {
      return await f(session);
    } finally {
      await session.close();
    }
  } finally {
    await c.disconnect();
  }
}

// fails tells whether a connection or a session is refused.
async function fails(policy, mode, identity) {
  try {
    await within(policy, mode, identity, async () => {});
    return "let in";
  } catch (problem) {
    return `refused (${problem.message.split("\n")[0]})`;
  }
}

// described reads the file: what each node is to be.
async function described() {
  const text = await readFile(options.nodeset, "utf-8");
  const nodes = new Map();
  for (const [, kind, attributes, body] of text.matchAll(/<(UAObject|UAVariable) ([^>]*)>(.*?)<\/\1>/gs)) {
    const a = Object.fromEntries([...attributes.matchAll(/(\w+)="([^"]*)"/g)].map((m) => [m[1], m[2]]));
    nodes.set(a.NodeId.replace("ns=1;", ""), {
      nodeClass: kind === "UAObject" ? NodeClass.Object : NodeClass.Variable,
      browse: a.BrowseName.replace("1:", ""),
      words: Number(a.ArrayDimensions ?? 0),
      access: Number(a.AccessLevel ?? 1),
      unit: Number(/<UnitId>(\d+)</.exec(body)?.[1] ?? 0),
    });
  }
  return nodes;
}

async function browse(session, ns, from, found) {
  const result = await session.browse({
    nodeId: from,
    browseDirection: 0,
    referenceTypeId: "HierarchicalReferences",
    includeSubtypes: true,
    resultMask: 63,
  });
  for (const r of result.references) {
    if (r.nodeId.namespace !== ns) continue;
    found.set(r.nodeId.toString().replace(`ns=${ns};`, ""), { nodeClass: r.nodeClass, browse: r.browseName.name });
    await browse(session, ns, r.nodeId, found);
  }
}

async function look(session, ns, nodes) {
  const found = new Map();
  await browse(session, ns, "ObjectsFolder", found);
  same("nodes found by browsing", [...found.keys()].sort().join(), [...nodes.keys()].sort().join());
  for (const [id, want] of nodes) {
    const got = found.get(id);
    if (!got) continue;
    same(`${id}: node class`, got.nodeClass, want.nodeClass);
    same(`${id}: browse name`, got.browse, want.browse);
    if (want.nodeClass !== NodeClass.Variable) continue;
    const [value, access] = await session.read([
      { nodeId: `ns=${ns};${id}`, attributeId: AttributeIds.Value },
      { nodeId: `ns=${ns};${id}`, attributeId: AttributeIds.AccessLevel },
    ]);
    same(`${id}: status`, value.statusCode.name, "Good");
    same(`${id}: access`, access.value.value, want.access);
    if (want.words > 0) {
      same(`${id}: type`, DataType[value.value.dataType], "UInt16");
      same(`${id}: rank`, value.value.arrayType, VariantArrayType.Array);
      same(`${id}: length`, value.value.value.length, want.words);
      same(`${id}: source time`, value.sourceTimestamp instanceof Date, true);
    }
    if (want.unit) {
      const unit = value.value.value;
      const known = Object.values(standardUnits).find((u) => u.unitId === unit.unitId);
      same(`${id}: unit`, unit.unitId, want.unit);
      same(`${id}: unit ${unit.displayName.text} is a standard one`, known !== undefined && unit.namespaceUri === known.namespaceUri, true);
    }
  }
}

const words = (list) => ({ dataType: DataType.UInt16, arrayType: VariantArrayType.Array, value: Uint16Array.from(list) });

async function write(session, nodeId, value) {
  return (await session.write({ nodeId, attributeId: AttributeIds.Value, value: { value } })).name;
}

async function writes(session, id) {
  const block = seal(Uint16Array.from([0x414b, 0, 0, 1, 0, 1, 0, 0, 0, 0]));
  same("a block", await write(session, id("Ack"), words(block)), "Good");
  const back = await session.read({ nodeId: id("Ack"), attributeId: AttributeIds.Value });
  same("the block read back", back.value.value, block);
  same("a short block", await write(session, id("Ack"), words([1, 2])), "BadOutOfRange");
  same("another type", await write(session, id("Ack"), { ...words(block), dataType: DataType.Int16, value: Int16Array.from(block) }), "BadTypeMismatch");
  same("a scalar", await write(session, id("Ack"), { dataType: DataType.UInt16, value: 1 }), "BadTypeMismatch");
  same("the controller's block", await write(session, id("Request"), words(new Uint16Array(96))), "BadNotWritable");
  same("a display", await write(session, id("Display.Request.Width"), { dataType: DataType.Double, value: 1 }), "BadNotWritable");
}

// adopted opens a session of the handshake and waits until the subscription
// shows that the controller adopted it.
async function adopted(session, id) {
  const subscription = ClientSubscription.create(session, {
    requestedPublishingInterval: 100,
    requestedLifetimeCount: 600,
    requestedMaxKeepAliveCount: 20,
    publishingEnabled: true,
  });
  const item = ClientMonitoredItem.create(
    subscription,
    { nodeId: id("Request"), attributeId: AttributeIds.Value },
    { samplingInterval: 100, queueSize: 10, discardOldest: true },
    TimestampsToReturn.Both,
  );
  let ticks = [];
  let bad = 0;
  let greeted = false;
  const seen = new Promise((resolve, reject) => {
    const limit = setTimeout(() => reject(new Error(`after ${ticks.length} publications the session is not adopted`)), 15000);
    item.on("err", (message) => reject(new Error(message)));
    item.on("changed", async (v) => {
      const w = v.value.value;
      if (!whole(w, "Request") || w[2] !== w[93]) bad++;
      ticks.push(two(w, 5));
      if (!greeted) {
        greeted = true;
        const hello = new Uint16Array(10);
        hello.set([0x4845, 2, 0, two(w, 11) + 1, 0x1234, 0x5678, w[3], w[4]]);
        same("HELLO", await write(session, id("Hello"), words(seal(hello))), "Good");
      } else if (two(w, 9) === 0x12345678 && ticks.length >= 5) {
        clearTimeout(limit);
        resolve();
      }
    });
  });
  try {
    await seen;
  } finally {
    await subscription.terminate();
  }
  same("damaged publications", bad, 0);
  same("ticks rise", ticks.every((t, i) => i === 0 || t > ticks[i - 1]), true);
  return ticks.length;
}

if (options.certificate) {
  await manager.createSelfSignedCertificate({
    applicationUri,
    subject: "/CN=stand-in client/O=lapgate",
    dns: ["localhost", os.hostname()],
    ip: ["127.0.0.1"],
    startDate: new Date(Date.now() - 3600 * 1000),
    validity: 30,
    outputFile: certificateFile,
  });
  await copyFile(certificateFile, options.certificate);
  process.exit(0);
}
if (options.refused) {
  const how = await fails(policies[0], MessageSecurityMode.SignAndEncrypt, login());
  say(`without being trusted: ${how}`);
  process.exit(how === "let in" ? 1 : 0);
}

const nodes = await described();
let publications = 0;
await within(policies[0], MessageSecurityMode.SignAndEncrypt, login(), async (session) => {
  const names = await session.readNamespaceArray();
  const ns = names.indexOf(namespaceURI);
  same("the namespace is there", ns > 0, true);
  const id = (name) => `ns=${ns};s=${options.line}.${name}`;
  await look(session, ns, nodes);
  await writes(session, id);
  publications = await adopted(session, id);
});
for (const policy of policies)
  for (const mode of [MessageSecurityMode.Sign, MessageSecurityMode.SignAndEncrypt])
    await within(policy, mode, login(), async (session) => {
      const ns = (await session.readNamespaceArray()).indexOf(namespaceURI);
      const v = await session.read({ nodeId: `ns=${ns};s=${options.line}.Request`, attributeId: AttributeIds.Value });
      same(`${policy}, ${MessageSecurityMode[mode]}: request`, v.statusCode === StatusCodes.Good && whole(v.value.value, "Request"), true);
    });
for (const [what, mode, identity] of [
  ["a wrong password", MessageSecurityMode.SignAndEncrypt, login("not the password")],
  ["nobody", MessageSecurityMode.SignAndEncrypt, { type: UserTokenType.Anonymous }],
])
  same(what, (await fails(policies[0], mode, identity)).startsWith("refused"), true);
same("no security", (await fails(SecurityPolicy.None, MessageSecurityMode.None, login())).startsWith("refused"), true);

for (const w of wrong) say(`wrong: ${w}`);
say(`${checked} checks, ${wrong.length} wrong; ${nodes.size} nodes, ${publications} publications, ${policies.length * 2} secured modes`);
process.exit(wrong.length === 0 ? 0 : 1);
