// Verifies signed JSON documents with software that is not ours; exits 0 only if all of them hold.
//
// The suite's own steps are called one by one, so that nothing is fetched and no JSON-LD is loaded:
// createVerifyData on document and proof, createVerifier on the key, then verify.
import {readFileSync} from 'node:fs';
import {createVerifyCryptosuite} from '@digitalbazaar/eddsa-jcs-2022-cryptosuite';
import {decode} from 'base58-universal';

async function holds(path) {
  const {proof, ...document} = JSON.parse(readFileSync(path, 'utf8'));
  const cryptosuite = createVerifyCryptosuite();
  const {proofValue, ...options} = proof;
  const data = await cryptosuite.createVerifyData({cryptosuite, document, proof: options});
  const [controller, publicKeyMultibase] = proof.verificationMethod.split('#');
  const verifier = await cryptosuite.createVerifier({
    verificationMethod: {
      '@context': 'https://w3id.org/security/multikey/v1',
      id: proof.verificationMethod, type: 'Multikey', controller, publicKeyMultibase
    }
  });
  return verifier.verify({data, signature: decode(proofValue.slice(1))});
}

let refused = 0;
for(const path of process.argv.slice(2)) {
  const good = await holds(path);
  console.log(`${good ? 'holds' : 'refused'} ${path}`);
  refused += good ? 0 : 1;
}
process.exit(process.argv.length > 2 && refused === 0 ? 0 : 1);
