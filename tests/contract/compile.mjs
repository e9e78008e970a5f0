// Compiles every schema of the contract named on the command line; says which one does not, and why.
import fs from "node:fs";
import Ajv from "ajv/dist/2020.js";
import formats from "ajv-formats";

const text = fs.readFileSync(process.argv[2], "utf8").replaceAll("#/components/schemas/", "#/$defs/");
const schemas = JSON.parse(text).components.schemas;
const ajv = new Ajv({ strict: true, unicodeRegExp: true });
formats(ajv);
// OpenAPI's own keyword; what it says, `anyOf` says too.
ajv.addKeyword("discriminator");
ajv.addSchema({ $id: "contract.json", $defs: schemas });
const failed = Object.keys(schemas).filter((name) => {
  try {
    ajv.compile({ $ref: `contract.json#/$defs/${name}` });
    return false;
  } catch (error) {
    console.error(`${name}: ${error.message}`);
    return true;
  }
});
console.log(`${Object.keys(schemas).length - failed.length} schemas compiled, ${failed.length} failed`);
process.exit(failed.length === 0 ? 0 : 1);
