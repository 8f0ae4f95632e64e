-- A database of schema 0001 with two rebuilds, one in use and one handed in, as SQLite's .dump writes it.
-- Public key of its seals and signatures: 82bc5628ba52354a7a5a58bcf69623f152d79426b1c4b50b3bc84dafeca0fe93
BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0001');
CREATE TABLE chains (
	id VARCHAR(64) NOT NULL, 
	length INTEGER NOT NULL, 
	head VARCHAR(64) NOT NULL, 
	seal VARCHAR(128) NOT NULL, 
	CONSTRAINT pk_chains PRIMARY KEY (id)
);
INSERT INTO "chains" VALUES('book',13,'0d30e631b12074b7dda9bcadfe7214e5e5bcf106d348571e2265f863b16c8b0b','B+yC31yO7uCzzYYyu0GEPmXNdCFtkmfKvApX5X4VD6BzWlfCgFv8PMBViDwOzlmR3AaIVJbyFoTDG1jkvKDCBQ==');
INSERT INTO "chains" VALUES('harbour-2-2026-06-12-1',10,'6e3234252e2313495daa6eb701f5308b648fb1b0072deef36a57e8bc90c8fb45','V5boMESPemwAn6gT3dXgEOhDfr4JbBC1gw4uEJRPrJhDTo/QsbjAZBvPrgl83s1MrDweb5Rjbzf+UT8DOmuACA==');
INSERT INTO "chains" VALUES('harbour-2-2026-06-12-2',6,'996090bb4525053faa85380c167f53008b8f233b6f1749f7ff4322f37841b90e','Q+EYVEJXFN/+SURFAdNJJ+KCzJq3TL8F1qGdRVTfmucCabg0dW2xlZD2oQWFioqPsrqlFAbU1KlcsjJZPDUYCQ==');
CREATE TABLE deputies (
	id INTEGER NOT NULL, 
	store VARCHAR(64) NOT NULL, 
	person VARCHAR(64) NOT NULL, 
	named_by VARCHAR(64) NOT NULL, 
	starts VARCHAR(24) NOT NULL, 
	ends VARCHAR(24) NOT NULL, 
	CONSTRAINT pk_deputies PRIMARY KEY (id), 
	CONSTRAINT fk_deputies_store_stores FOREIGN KEY(store) REFERENCES stores (id), 
	CONSTRAINT fk_deputies_person_people FOREIGN KEY(person) REFERENCES people (id), 
	CONSTRAINT fk_deputies_named_by_people FOREIGN KEY(named_by) REFERENCES people (id)
);
CREATE TABLE entries (
	chain VARCHAR(64) NOT NULL, 
	n INTEGER NOT NULL, 
	at VARCHAR(24) NOT NULL, 
	"by" VARCHAR(64) NOT NULL, 
	kind VARCHAR(32) NOT NULL, 
	body TEXT NOT NULL, 
	hash VARCHAR(64) NOT NULL, 
	signature VARCHAR(128), 
	CONSTRAINT pk_entries PRIMARY KEY (chain, n)
);
INSERT INTO "entries" VALUES('book',1,'2026-06-12T22:00:01.000Z','noor','store-added','{"at":"2026-06-12T22:00:01.000Z","by":"noor","chain":"book","data":{"day_starts":"05:00","id":"harbour-steps","name":"Harbour Steps","settings":"{\"wait_minutes\": 60, \"sticker_needed\": false, \"sanitizer\": {\"jurisdiction\": \"food-code-2022\", \"kind\": \"chlorine\", \"ph\": 7.5, \"hardness\": null, \"label_at_least\": null, \"label_at_most\": null, \"label_contact\": null}}","zone":"Europe/Lisbon"},"format":1,"kind":"store-added","n":1,"prev":"0000000000000000000000000000000000000000000000000000000000000000"}','ba009ce0748a2f5acbc0c61123fbee748aad0a4b69e6756dae4016efa567fa27',NULL);
INSERT INTO "entries" VALUES('book',2,'2026-06-12T22:00:02.000Z','noor','person-added','{"at":"2026-06-12T22:00:02.000Z","by":"noor","chain":"book","data":{"id":"noor","language":"en","name":"Noor Castellan","roles":[["harbour-steps","supervisor"]]},"format":1,"kind":"person-added","n":2,"prev":"ba009ce0748a2f5acbc0c61123fbee748aad0a4b69e6756dae4016efa567fa27"}','7da0f21cddc8b87127667e07347bf79aad684f686b208e38671c2e16c1522fcc',NULL);
INSERT INTO "entries" VALUES('book',3,'2026-06-12T22:00:03.000Z','noor','person-added','{"at":"2026-06-12T22:00:03.000Z","by":"noor","chain":"book","data":{"id":"dalia","language":"en","name":"Dália Fenwick-Ørsted","roles":[["harbour-steps","manager"]]},"format":1,"kind":"person-added","n":3,"prev":"7da0f21cddc8b87127667e07347bf79aad684f686b208e38671c2e16c1522fcc"}','ef745da3c57f5b05a2d362802f844456ba8fb4463d96084eff93484211b0f0ac',NULL);
INSERT INTO "entries" VALUES('book',4,'2026-06-12T22:00:04.000Z','noor','person-added','{"at":"2026-06-12T22:00:04.000Z","by":"noor","chain":"book","data":{"id":"ines","language":"en","name":"Inês Valadão","roles":[["harbour-steps","crew"]]},"format":1,"kind":"person-added","n":4,"prev":"ef745da3c57f5b05a2d362802f844456ba8fb4463d96084eff93484211b0f0ac"}','8d55bdf532fcde61998e6d5b6874e752ad920509e2074afc846d32289958f9c3',NULL);
INSERT INTO "entries" VALUES('book',5,'2026-06-12T22:00:05.000Z','noor','person-added','{"at":"2026-06-12T22:00:05.000Z","by":"noor","chain":"book","data":{"id":"tomek","language":"en","name":"Tomek Łaski","roles":[["harbour-steps","crew"]]},"format":1,"kind":"person-added","n":5,"prev":"8d55bdf532fcde61998e6d5b6874e752ad920509e2074afc846d32289958f9c3"}','42e7e010ba46f2bf855f7879989a584c27a316ce369e31d769c1fff44593677d',NULL);
INSERT INTO "entries" VALUES('book',6,'2026-06-12T22:00:06.000Z','noor','person-added','{"at":"2026-06-12T22:00:06.000Z","by":"noor","chain":"book","data":{"id":"piet","language":"en","name":"Piet Harrow","roles":[["harbour-steps","technician"]]},"format":1,"kind":"person-added","n":6,"prev":"42e7e010ba46f2bf855f7879989a584c27a316ce369e31d769c1fff44593677d"}','347f003b480fc1c6224bdbf8eadc18088b8306e0d70c8390611c70c5c13f4c4c',NULL);
INSERT INTO "entries" VALUES('book',7,'2026-06-12T22:00:07.000Z','noor','machine-added','{"at":"2026-06-12T22:00:07.000Z","by":"noor","chain":"book","data":{"folder":"/tmp/demo/m/harbour-2","id":"harbour-2","marker":null,"number":"","store":"harbour-steps","title":"Two-spout freezer by the window"},"format":1,"kind":"machine-added","n":7,"prev":"347f003b480fc1c6224bdbf8eadc18088b8306e0d70c8390611c70c5c13f4c4c"}','eb7636357157c9d5cb4d3db4edb4110bdf326d28d9608aeb1477557d91c71df3',NULL);
INSERT INTO "entries" VALUES('harbour-2-2026-06-12-1',1,'2026-06-12T22:00:08.000Z','ines','start','{"at":"2026-06-12T22:00:08.000Z","by":"ines","chain":"harbour-2-2026-06-12-1","data":{"day":"2026-06-12","machine":"harbour-2","number":"","plan":[{"ask":{"":"All there?"},"id":"counted","if_not":{"":"Look again."},"kind":"check","phase":"take-apart","title":{"":"Parts counted"},"wear":[{"count":2,"every_days":90,"id":"ring","title":{"":"O-ring"}}],"why":{"":"w"}},{"ask":{"":"Dip."},"id":"strength","if_not":{"":"Mix anew."},"kind":"reading","phase":"clean","quantity":{"":"strength"},"rule":"sanitizer-strength","title":{"":"Strength"},"unit":"mg/L"},{"hidden_by":"spout","id":"lid","kind":"photo","phase":"put-back","title":{"":"Lid"},"view":"lid"},{"id":"spout","kind":"photo","phase":"put-back","title":{"":"Spouts"},"view":"spout"},{"ask":{"":"Dry?"},"id":"dry","if_not":{"":"Stop."},"kind":"check","leak":true,"phase":"start-up","title":{"":"No leak"},"why":{"":"w"}}],"settings":{"sanitizer":{"hardness":null,"jurisdiction":"food-code-2022","kind":"chlorine","label_at_least":null,"label_at_most":null,"label_contact":null,"ph":7.5},"sticker_needed":false,"wait_minutes":60},"started_by":"Inês Valadão","store":"harbour-steps","table":"2026-11","taught":"f82ba10c74efff75787f36d2700c1e58e47e83b637b7cf66f6a61528e01be31a","title":"Two-spout freezer by the window","zone":"Europe/Lisbon"},"format":1,"kind":"start","n":1,"prev":"0000000000000000000000000000000000000000000000000000000000000000"}','caf3e4309412439f358ad19670330499d5ab945b2bb4095beb4350940cacc2de',NULL);
INSERT INTO "entries" VALUES('book',8,'2026-06-12T22:00:09.000Z','ines','record-at','{"at":"2026-06-12T22:00:09.000Z","by":"ines","chain":"book","data":{"head":"caf3e4309412439f358ad19670330499d5ab945b2bb4095beb4350940cacc2de","id":"harbour-2-2026-06-12-1","n":1},"format":1,"kind":"record-at","n":8,"prev":"eb7636357157c9d5cb4d3db4edb4110bdf326d28d9608aeb1477557d91c71df3"}','af9a786e1daa85f3a524a92743d343889f26047023c19b601cc7cad7b6ae6afd',NULL);
INSERT INTO "entries" VALUES('harbour-2-2026-06-12-1',2,'2026-06-12T22:00:11.000Z','ines','answer','{"at":"2026-06-12T22:00:11.000Z","by":"ines","chain":"harbour-2-2026-06-12-1","data":{"note":"","step":"counted","yes":true},"format":1,"kind":"answer","n":2,"prev":"caf3e4309412439f358ad19670330499d5ab945b2bb4095beb4350940cacc2de"}','157a1d97ccfb09149c96bb57fcda024268cd88080d43d7a654749875a75e7e03',NULL);
INSERT INTO "entries" VALUES('harbour-2-2026-06-12-1',3,'2026-06-12T22:00:13.000Z','ines','reading','{"at":"2026-06-12T22:00:13.000Z","by":"ines","chain":"harbour-2-2026-06-12-1","data":{"as_read":{"unit":"mg/L","value":100},"high":200,"low":25,"message":"100 mg/L is within its limits (FDA Food Code 2022; label and local code come first)","ok":true,"step":"strength","table":"2026-11","unit":"mg/L","value":100},"format":1,"kind":"reading","n":3,"prev":"157a1d97ccfb09149c96bb57fcda024268cd88080d43d7a654749875a75e7e03"}','bf0835ba45ea4969090c35378617c9d19af99766de72a6bbfa7eb6836fef7f46',NULL);
INSERT INTO "entries" VALUES('harbour-2-2026-06-12-1',4,'2026-06-12T22:00:16.000Z','ines','photo','{"at":"2026-06-12T22:00:16.000Z","by":"ines","chain":"harbour-2-2026-06-12-1","data":{"bytes":86944,"doubts":[],"format":"jpeg","result":{"format":1,"machine":"harbour-2","made_by":{"machine":"1111111111111111111111111111111111111111111111111111111111111111","model":"2222222222222222222222222222222222222222222222222222222222222222","verify":"0.1.0"},"marked":null,"ms":{"align":2,"judge":4,"locate":3,"read":1,"total":10},"parts":[{"expected":"seated","fix":null,"found":"missing","id":"left-clip","measures":[],"message":"left-clip is fault","offset_mm":null,"outline":null,"p_right":0.5,"severity":"stop","turn_deg":null,"verdict":"fault"}],"photo":"wrong-10.jpg","retake":null,"sha256":"3bbce17baf9fa321197a65253584fdfc9298313792f1c93fc01dcb07d9988019","verdict":"hold","view":"lid"},"sha256":"3bbce17baf9fa321197a65253584fdfc9298313792f1c93fc01dcb07d9988019","step":"lid","taken_at":null},"format":1,"kind":"photo","n":4,"prev":"bf0835ba45ea4969090c35378617c9d19af99766de72a6bbfa7eb6836fef7f46"}','3237e4c228386885016cb3c09284c693bfdcfa5d9d22da1ea176aab6597f65ab',NULL);
INSERT INTO "entries" VALUES('harbour-2-2026-06-12-1',5,'2026-06-12T22:00:19.000Z','ines','photo','{"at":"2026-06-12T22:00:19.000Z","by":"ines","chain":"harbour-2-2026-06-12-1","data":{"bytes":83690,"doubts":[],"format":"jpeg","result":{"format":1,"machine":"harbour-2","made_by":{"machine":"1111111111111111111111111111111111111111111111111111111111111111","model":"2222222222222222222222222222222222222222222222222222222222222222","verify":"0.1.0"},"marked":null,"ms":{"align":2,"judge":4,"locate":3,"read":1,"total":10},"parts":[{"expected":"seated","fix":null,"found":"seated","id":"left-clip","measures":[],"message":"left-clip is ok","offset_mm":null,"outline":null,"p_right":0.5,"severity":"stop","turn_deg":null,"verdict":"ok"}],"photo":"right-11.jpg","retake":null,"sha256":"77dc0dfd64519fa9686c10aeafb93f3842416b138b0ec7b5d24463b24e135ca8","verdict":"pass","view":"spout"},"sha256":"77dc0dfd64519fa9686c10aeafb93f3842416b138b0ec7b5d24463b24e135ca8","step":"spout","taken_at":null},"format":1,"kind":"photo","n":5,"prev":"3237e4c228386885016cb3c09284c693bfdcfa5d9d22da1ea176aab6597f65ab"}','152de784711a3346d885bfe744bf5bff80edf066cfb1a203d7342b6b8c010714',NULL);
INSERT INTO "entries" VALUES('harbour-2-2026-06-12-1',6,'2026-06-12T22:00:21.000Z','ines','hand-in','{"at":"2026-06-12T22:00:21.000Z","by":"ines","chain":"harbour-2-2026-06-12-1","data":{"open_holds":["4/left-clip"]},"format":1,"kind":"hand-in","n":6,"prev":"152de784711a3346d885bfe744bf5bff80edf066cfb1a203d7342b6b8c010714"}','d854d7e6e2c56a2beb836a4d91e768999ffb1b52749bf1a0e6b8b92f8d7b1159',NULL);
INSERT INTO "entries" VALUES('book',9,'2026-06-12T22:00:22.000Z','ines','record-at','{"at":"2026-06-12T22:00:22.000Z","by":"ines","chain":"book","data":{"head":"d854d7e6e2c56a2beb836a4d91e768999ffb1b52749bf1a0e6b8b92f8d7b1159","id":"harbour-2-2026-06-12-1","n":6},"format":1,"kind":"record-at","n":9,"prev":"af9a786e1daa85f3a524a92743d343889f26047023c19b601cc7cad7b6ae6afd"}','8f81ab5ea38a682671ca8933b25e9459a8263d19cbc78a32c5d6fe31f6cc338d',NULL);
INSERT INTO "entries" VALUES('harbour-2-2026-06-12-1',7,'2026-06-12T22:00:24.000Z','dalia','clear','{"at":"2026-06-12T22:00:24.000Z","by":"dalia","chain":"harbour-2-2026-06-12-1","data":{"as":"false-alarm","hold":"4/left-clip","reason":"it is there","step":"lid"},"format":1,"kind":"clear","n":7,"prev":"d854d7e6e2c56a2beb836a4d91e768999ffb1b52749bf1a0e6b8b92f8d7b1159"}','a531ac0cd993d99cd260872857d5cae71e84d3837b1352d4bd5e88a3f3a9af19',NULL);
INSERT INTO "entries" VALUES('harbour-2-2026-06-12-1',8,'2026-06-12T22:00:26.000Z','noor','release','{"at":"2026-06-12T22:00:26.000Z","by":"noor","chain":"harbour-2-2026-06-12-1","data":{"cleared":["4/left-clip"],"deputy":false,"meaning":"Released for start-up.","name":"Noor Castellan","photos":["3bbce17baf9fa321197a65253584fdfc9298313792f1c93fc01dcb07d9988019","77dc0dfd64519fa9686c10aeafb93f3842416b138b0ec7b5d24463b24e135ca8"]},"format":1,"kind":"release","n":8,"prev":"a531ac0cd993d99cd260872857d5cae71e84d3837b1352d4bd5e88a3f3a9af19"}','b54a33ca7c76df2e7054948b27b3f2f1878c1b983eb0e116cc160a21e0e00927','zTSTBUF00J/nruhP/GsA+trJNv8Ni4w0YB1SRLGhcjQdvYM2a5Fi2KI8D5whV7BWEaqodMDCe3vkrS3n4BCNAg==');
INSERT INTO "entries" VALUES('book',10,'2026-06-12T22:00:27.000Z','noor','record-at','{"at":"2026-06-12T22:00:27.000Z","by":"noor","chain":"book","data":{"head":"b54a33ca7c76df2e7054948b27b3f2f1878c1b983eb0e116cc160a21e0e00927","id":"harbour-2-2026-06-12-1","n":8},"format":1,"kind":"record-at","n":10,"prev":"8f81ab5ea38a682671ca8933b25e9459a8263d19cbc78a32c5d6fe31f6cc338d"}','a1115899137789bf1232f659fdce2437dd2288ad6dae4b1b5e33f9680849120d',NULL);
INSERT INTO "entries" VALUES('harbour-2-2026-06-12-1',9,'2026-06-12T22:00:29.000Z','ines','answer','{"at":"2026-06-12T22:00:29.000Z","by":"ines","chain":"harbour-2-2026-06-12-1","data":{"note":"","step":"dry","yes":true},"format":1,"kind":"answer","n":9,"prev":"b54a33ca7c76df2e7054948b27b3f2f1878c1b983eb0e116cc160a21e0e00927"}','ba2141399b438c64a4fbcd42ff8835abe837fde56e44ad2bb72d3727ddd1519f',NULL);
INSERT INTO "entries" VALUES('harbour-2-2026-06-12-1',10,'2026-06-12T22:00:31.000Z','ines','put-in-use','{"at":"2026-06-12T22:00:31.000Z","by":"ines","chain":"harbour-2-2026-06-12-1","data":{},"format":1,"kind":"put-in-use","n":10,"prev":"ba2141399b438c64a4fbcd42ff8835abe837fde56e44ad2bb72d3727ddd1519f"}','6e3234252e2313495daa6eb701f5308b648fb1b0072deef36a57e8bc90c8fb45',NULL);
INSERT INTO "entries" VALUES('book',11,'2026-06-12T22:00:32.000Z','ines','record-at','{"at":"2026-06-12T22:00:32.000Z","by":"ines","chain":"book","data":{"head":"6e3234252e2313495daa6eb701f5308b648fb1b0072deef36a57e8bc90c8fb45","id":"harbour-2-2026-06-12-1","n":10},"format":1,"kind":"record-at","n":11,"prev":"a1115899137789bf1232f659fdce2437dd2288ad6dae4b1b5e33f9680849120d"}','8b84907c13506204bd72a272752b936205b42d525d068fc621870a8cae5b3c60',NULL);
INSERT INTO "entries" VALUES('harbour-2-2026-06-12-2',1,'2026-06-12T22:00:33.000Z','ines','start','{"at":"2026-06-12T22:00:33.000Z","by":"ines","chain":"harbour-2-2026-06-12-2","data":{"day":"2026-06-12","machine":"harbour-2","number":"","plan":[{"ask":{"":"All there?"},"id":"counted","if_not":{"":"Look again."},"kind":"check","phase":"take-apart","title":{"":"Parts counted"},"wear":[{"count":2,"every_days":90,"id":"ring","title":{"":"O-ring"}}],"why":{"":"w"}},{"ask":{"":"Dip."},"id":"strength","if_not":{"":"Mix anew."},"kind":"reading","phase":"clean","quantity":{"":"strength"},"rule":"sanitizer-strength","title":{"":"Strength"},"unit":"mg/L"},{"hidden_by":"spout","id":"lid","kind":"photo","phase":"put-back","title":{"":"Lid"},"view":"lid"},{"id":"spout","kind":"photo","phase":"put-back","title":{"":"Spouts"},"view":"spout"},{"ask":{"":"Dry?"},"id":"dry","if_not":{"":"Stop."},"kind":"check","leak":true,"phase":"start-up","title":{"":"No leak"},"why":{"":"w"}}],"settings":{"sanitizer":{"hardness":null,"jurisdiction":"food-code-2022","kind":"chlorine","label_at_least":null,"label_at_most":null,"label_contact":null,"ph":7.5},"sticker_needed":false,"wait_minutes":60},"started_by":"Inês Valadão","store":"harbour-steps","table":"2026-11","taught":"f82ba10c74efff75787f36d2700c1e58e47e83b637b7cf66f6a61528e01be31a","title":"Two-spout freezer by the window","zone":"Europe/Lisbon"},"format":1,"kind":"start","n":1,"prev":"0000000000000000000000000000000000000000000000000000000000000000"}','7845fa4e8b412fbebd5ec886e3ec6c70f0de77111b93b36c9c9fd96ac6bb0307',NULL);
INSERT INTO "entries" VALUES('book',12,'2026-06-12T22:00:34.000Z','ines','record-at','{"at":"2026-06-12T22:00:34.000Z","by":"ines","chain":"book","data":{"head":"7845fa4e8b412fbebd5ec886e3ec6c70f0de77111b93b36c9c9fd96ac6bb0307","id":"harbour-2-2026-06-12-2","n":1},"format":1,"kind":"record-at","n":12,"prev":"8b84907c13506204bd72a272752b936205b42d525d068fc621870a8cae5b3c60"}','36de7547720907aafc0850438222c4d8d891f2292d70afd3b2f5078e3e2559a6',NULL);
INSERT INTO "entries" VALUES('harbour-2-2026-06-12-2',2,'2026-06-12T22:00:36.000Z','ines','answer','{"at":"2026-06-12T22:00:36.000Z","by":"ines","chain":"harbour-2-2026-06-12-2","data":{"note":"","step":"counted","yes":true},"format":1,"kind":"answer","n":2,"prev":"7845fa4e8b412fbebd5ec886e3ec6c70f0de77111b93b36c9c9fd96ac6bb0307"}','9fb0ec5ac54d09c6ee839130bf97f4870b52c72c7ce74773731c9f2ccf392ae3',NULL);
INSERT INTO "entries" VALUES('harbour-2-2026-06-12-2',3,'2026-06-12T22:00:38.000Z','ines','reading','{"at":"2026-06-12T22:00:38.000Z","by":"ines","chain":"harbour-2-2026-06-12-2","data":{"as_read":{"unit":"mg/L","value":100},"high":200,"low":25,"message":"100 mg/L is within its limits (FDA Food Code 2022; label and local code come first)","ok":true,"step":"strength","table":"2026-11","unit":"mg/L","value":100},"format":1,"kind":"reading","n":3,"prev":"9fb0ec5ac54d09c6ee839130bf97f4870b52c72c7ce74773731c9f2ccf392ae3"}','7d7d6853724c10dc1a987286a9f0946301d93de9176f2a27ae8116865a6ea619',NULL);
INSERT INTO "entries" VALUES('harbour-2-2026-06-12-2',4,'2026-06-12T22:00:41.000Z','ines','photo','{"at":"2026-06-12T22:00:41.000Z","by":"ines","chain":"harbour-2-2026-06-12-2","data":{"bytes":84748,"doubts":[],"format":"jpeg","result":{"format":1,"machine":"harbour-2","made_by":{"machine":"1111111111111111111111111111111111111111111111111111111111111111","model":"2222222222222222222222222222222222222222222222222222222222222222","verify":"0.1.0"},"marked":null,"ms":{"align":2,"judge":4,"locate":3,"read":1,"total":10},"parts":[{"expected":"seated","fix":null,"found":"seated","id":"left-clip","measures":[],"message":"left-clip is ok","offset_mm":null,"outline":null,"p_right":0.5,"severity":"stop","turn_deg":null,"verdict":"ok"}],"photo":"right-30.jpg","retake":null,"sha256":"29d681a52d4ceee6ff3000ca228a638c43c13ec3641ecb7acea6a19d25142dae","verdict":"pass","view":"lid"},"sha256":"29d681a52d4ceee6ff3000ca228a638c43c13ec3641ecb7acea6a19d25142dae","step":"lid","taken_at":null},"format":1,"kind":"photo","n":4,"prev":"7d7d6853724c10dc1a987286a9f0946301d93de9176f2a27ae8116865a6ea619"}','7dbb257bb357e1792a383db9d3bf56ab917aaa29620545756b04a16c7b038bcb',NULL);
INSERT INTO "entries" VALUES('harbour-2-2026-06-12-2',5,'2026-06-12T22:00:44.000Z','ines','photo','{"at":"2026-06-12T22:00:44.000Z","by":"ines","chain":"harbour-2-2026-06-12-2","data":{"bytes":85867,"doubts":[],"format":"jpeg","result":{"format":1,"machine":"harbour-2","made_by":{"machine":"1111111111111111111111111111111111111111111111111111111111111111","model":"2222222222222222222222222222222222222222222222222222222222222222","verify":"0.1.0"},"marked":null,"ms":{"align":2,"judge":4,"locate":3,"read":1,"total":10},"parts":[{"expected":"seated","fix":null,"found":"seated","id":"left-clip","measures":[],"message":"left-clip is ok","offset_mm":null,"outline":null,"p_right":0.5,"severity":"stop","turn_deg":null,"verdict":"ok"}],"photo":"right-31.jpg","retake":null,"sha256":"a204c5c8039fcb0de9b3dea91edc2d864438b001972d00f004b33c7956618c05","verdict":"pass","view":"spout"},"sha256":"a204c5c8039fcb0de9b3dea91edc2d864438b001972d00f004b33c7956618c05","step":"spout","taken_at":null},"format":1,"kind":"photo","n":5,"prev":"7dbb257bb357e1792a383db9d3bf56ab917aaa29620545756b04a16c7b038bcb"}','531804ce74488d171320f9579ec24995fef502714714cb01b18702fc3d6bc2a4',NULL);
INSERT INTO "entries" VALUES('harbour-2-2026-06-12-2',6,'2026-06-12T22:00:46.000Z','ines','hand-in','{"at":"2026-06-12T22:00:46.000Z","by":"ines","chain":"harbour-2-2026-06-12-2","data":{"open_holds":[]},"format":1,"kind":"hand-in","n":6,"prev":"531804ce74488d171320f9579ec24995fef502714714cb01b18702fc3d6bc2a4"}','996090bb4525053faa85380c167f53008b8f233b6f1749f7ff4322f37841b90e',NULL);
INSERT INTO "entries" VALUES('book',13,'2026-06-12T22:00:47.000Z','ines','record-at','{"at":"2026-06-12T22:00:47.000Z","by":"ines","chain":"book","data":{"head":"996090bb4525053faa85380c167f53008b8f233b6f1749f7ff4322f37841b90e","id":"harbour-2-2026-06-12-2","n":6},"format":1,"kind":"record-at","n":13,"prev":"36de7547720907aafc0850438222c4d8d891f2292d70afd3b2f5078e3e2559a6"}','0d30e631b12074b7dda9bcadfe7214e5e5bcf106d348571e2265f863b16c8b0b',NULL);
CREATE TABLE machines (
	id VARCHAR(64) NOT NULL, 
	store VARCHAR(64) NOT NULL, 
	title TEXT NOT NULL, 
	folder TEXT NOT NULL, 
	number TEXT NOT NULL, 
	CONSTRAINT pk_machines PRIMARY KEY (id), 
	CONSTRAINT fk_machines_store_stores FOREIGN KEY(store) REFERENCES stores (id)
);
INSERT INTO "machines" VALUES('harbour-2','harbour-steps','Two-spout freezer by the window','machines/harbour-2','');
CREATE TABLE memberships (
	person VARCHAR(64) NOT NULL, 
	store VARCHAR(64) NOT NULL, 
	role VARCHAR(16) NOT NULL, 
	CONSTRAINT pk_memberships PRIMARY KEY (person, store, role), 
	CONSTRAINT fk_memberships_person_people FOREIGN KEY(person) REFERENCES people (id), 
	CONSTRAINT fk_memberships_store_stores FOREIGN KEY(store) REFERENCES stores (id)
);
INSERT INTO "memberships" VALUES('noor','harbour-steps','supervisor');
INSERT INTO "memberships" VALUES('dalia','harbour-steps','manager');
INSERT INTO "memberships" VALUES('ines','harbour-steps','crew');
INSERT INTO "memberships" VALUES('tomek','harbour-steps','crew');
INSERT INTO "memberships" VALUES('piet','harbour-steps','technician');
CREATE TABLE people (
	id VARCHAR(64) NOT NULL, 
	name TEXT NOT NULL, 
	language VARCHAR(16) NOT NULL, 
	active BOOLEAN NOT NULL, 
	secret TEXT, 
	failures INTEGER NOT NULL, 
	locked_until VARCHAR(24), 
	CONSTRAINT pk_people PRIMARY KEY (id)
);
INSERT INTO "people" VALUES('noor','Noor Castellan','en',1,'$argon2id$v=19$m=8,t=1,p=1$71OyjTHviM5wDak00tO9Ag$LFaFOzZPVB4tKqwqq+oEVSN1+d/kMzpBGmnFrgD3FQ8',0,NULL);
INSERT INTO "people" VALUES('dalia','Dália Fenwick-Ørsted','en',1,'$argon2id$v=19$m=8,t=1,p=1$W4cl569S/UU4gP9zlykktw$tY+nBfPNcNMm96dScsthqzKf5A5nRLkYR8/OL4KyexU',0,NULL);
INSERT INTO "people" VALUES('ines','Inês Valadão','en',1,'$argon2id$v=19$m=8,t=1,p=1$5y5uQUC1gjiV2HAtV8pmZQ$W6DZYa6vUxheumjlAtXwy+YKa1tGNPeS2IXdG/MCfTM',0,NULL);
INSERT INTO "people" VALUES('tomek','Tomek Łaski','en',1,'$argon2id$v=19$m=8,t=1,p=1$TIED2ANbdCyjGaZf/flqHQ$jSwKEOc+Wd3tYAYvDAVw3xiGXlQj+wHwi6kqrSSN7FU',0,NULL);
INSERT INTO "people" VALUES('piet','Piet Harrow','en',1,'$argon2id$v=19$m=8,t=1,p=1$C4KwYkyi7cjvCVhYR3MtDA$sSNIfaZ01oT3KFGb+BVy7l/HciX0xOya1AxohjMRbBE',0,NULL);
CREATE TABLE pictures (
	sha256 VARCHAR(64) NOT NULL, 
	bytes INTEGER NOT NULL, 
	format VARCHAR(16) NOT NULL, 
	taken_at VARCHAR(24), 
	added_at VARCHAR(24) NOT NULL, 
	CONSTRAINT pk_pictures PRIMARY KEY (sha256)
);
INSERT INTO "pictures" VALUES('3bbce17baf9fa321197a65253584fdfc9298313792f1c93fc01dcb07d9988019',86944,'jpeg',NULL,'2026-06-12T22:00:16.000Z');
INSERT INTO "pictures" VALUES('77dc0dfd64519fa9686c10aeafb93f3842416b138b0ec7b5d24463b24e135ca8',83690,'jpeg',NULL,'2026-06-12T22:00:19.000Z');
INSERT INTO "pictures" VALUES('29d681a52d4ceee6ff3000ca228a638c43c13ec3641ecb7acea6a19d25142dae',84748,'jpeg',NULL,'2026-06-12T22:00:41.000Z');
INSERT INTO "pictures" VALUES('a204c5c8039fcb0de9b3dea91edc2d864438b001972d00f004b33c7956618c05',85867,'jpeg',NULL,'2026-06-12T22:00:44.000Z');
CREATE TABLE rebuilds (
	id VARCHAR(64) NOT NULL, 
	machine VARCHAR(64) NOT NULL, 
	store VARCHAR(64) NOT NULL, 
	day VARCHAR(10) NOT NULL, 
	state VARCHAR(16) NOT NULL, 
	started_at VARCHAR(24) NOT NULL, 
	started_by VARCHAR(64) NOT NULL, 
	changed_at VARCHAR(24) NOT NULL, 
	handed_in_at VARCHAR(24), 
	open_holds INTEGER NOT NULL, 
	leaks INTEGER NOT NULL, 
	to_countersign BOOLEAN NOT NULL, 
	CONSTRAINT pk_rebuilds PRIMARY KEY (id), 
	CONSTRAINT fk_rebuilds_machine_machines FOREIGN KEY(machine) REFERENCES machines (id), 
	CONSTRAINT fk_rebuilds_store_stores FOREIGN KEY(store) REFERENCES stores (id)
);
INSERT INTO "rebuilds" VALUES('harbour-2-2026-06-12-1','harbour-2','harbour-steps','2026-06-12','in-use','2026-06-12T22:00:08.000Z','ines','2026-06-12T22:00:31.000Z',NULL,0,0,0);
INSERT INTO "rebuilds" VALUES('harbour-2-2026-06-12-2','harbour-2','harbour-steps','2026-06-12','handed-in','2026-06-12T22:00:33.000Z','ines','2026-06-12T22:00:46.000Z','2026-06-12T22:00:46.000Z',0,0,0);
CREATE TABLE stores (
	id VARCHAR(64) NOT NULL, 
	name TEXT NOT NULL, 
	zone TEXT NOT NULL, 
	day_starts VARCHAR(5) NOT NULL, 
	settings TEXT NOT NULL, 
	CONSTRAINT pk_stores PRIMARY KEY (id)
);
INSERT INTO "stores" VALUES('harbour-steps','Harbour Steps','Europe/Lisbon','05:00','{"wait_minutes": 60, "sticker_needed": false, "sanitizer": {"jurisdiction": "food-code-2022", "kind": "chlorine", "ph": 7.5, "hardness": null, "label_at_least": null, "label_at_most": null, "label_contact": null}}');
CREATE TABLE uses (
	rebuild VARCHAR(64) NOT NULL, 
	n INTEGER NOT NULL, 
	step VARCHAR(64) NOT NULL, 
	store VARCHAR(64) NOT NULL, 
	sha256 VARCHAR(64) NOT NULL, 
	CONSTRAINT pk_uses PRIMARY KEY (rebuild, n), 
	CONSTRAINT fk_uses_rebuild_rebuilds FOREIGN KEY(rebuild) REFERENCES rebuilds (id), 
	CONSTRAINT fk_uses_store_stores FOREIGN KEY(store) REFERENCES stores (id), 
	CONSTRAINT fk_uses_sha256_pictures FOREIGN KEY(sha256) REFERENCES pictures (sha256)
);
INSERT INTO "uses" VALUES('harbour-2-2026-06-12-1',4,'lid','harbour-steps','3bbce17baf9fa321197a65253584fdfc9298313792f1c93fc01dcb07d9988019');
INSERT INTO "uses" VALUES('harbour-2-2026-06-12-1',5,'spout','harbour-steps','77dc0dfd64519fa9686c10aeafb93f3842416b138b0ec7b5d24463b24e135ca8');
INSERT INTO "uses" VALUES('harbour-2-2026-06-12-2',4,'lid','harbour-steps','29d681a52d4ceee6ff3000ca228a638c43c13ec3641ecb7acea6a19d25142dae');
INSERT INTO "uses" VALUES('harbour-2-2026-06-12-2',5,'spout','harbour-steps','a204c5c8039fcb0de9b3dea91edc2d864438b001972d00f004b33c7956618c05');
CREATE TABLE wear (
	machine VARCHAR(64) NOT NULL, 
	item VARCHAR(64) NOT NULL, 
	fitted_on VARCHAR(10), 
	fitted_by VARCHAR(64), 
	reason TEXT NOT NULL, 
	stock INTEGER NOT NULL, 
	CONSTRAINT pk_wear PRIMARY KEY (machine, item), 
	CONSTRAINT fk_wear_machine_machines FOREIGN KEY(machine) REFERENCES machines (id)
);
CREATE INDEX ix_deputies_store ON deputies (store);
CREATE INDEX ix_machines_store ON machines (store);
CREATE INDEX ix_rebuilds_machine ON rebuilds (machine);
CREATE INDEX ix_rebuilds_store ON rebuilds (store);
CREATE INDEX ix_rebuilds_day ON rebuilds (day);
CREATE UNIQUE INDEX uq_rebuilds_going_on ON rebuilds (machine) WHERE state NOT IN ('in-use', 'given-up');
CREATE INDEX ix_uses_sha256 ON uses (sha256);
COMMIT;
